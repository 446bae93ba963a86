"""The words that the rooms share: indications, columns, calibrations, commands, alarms.

Law: frozen data. Times are integers: `at_us` is UTC in microseconds since 1970, `elapsed_us` is the watch time, a
steady clock that never runs back; over a restart it goes on by the wall clock's difference. A value that is not known
is NaN in a column, None in a scalar; never a number that looks like one.
"""

from logger.model.alarms import AlarmState, Cause, Entry, Event, State
from logger.model.belief import LEADING, Belief, Stance
from logger.model.claims import PREMISES, Checked, Claim, Lack, Look, Progress, Withdrawn
from logger.model.corrections import Correction, Deviation
from logger.model.drift import Drift
from logger.model.health import Finding, Health
from logger.model.records import Block, Columns, Floats, Indication, Ints, Measurements, Quality, Reason, Tests
from logger.model.requests import (
    Answer,
    Calibration,
    CalibrationPoint,
    Check,
    CheckKind,
    Command,
    CommandKind,
    Mark,
    Method,
    Segment,
    Verdict,
)
from logger.model.told import Day, Digest, Facts, Told
from logger.model.watch import Carry, Outcome, Rehearsal, Trend, WatchState, Witness

__all__ = [
    "LEADING",
    "PREMISES",
    "AlarmState",
    "Answer",
    "Belief",
    "Block",
    "Calibration",
    "CalibrationPoint",
    "Carry",
    "Cause",
    "Check",
    "CheckKind",
    "Checked",
    "Claim",
    "Columns",
    "Command",
    "CommandKind",
    "Correction",
    "Day",
    "Deviation",
    "Digest",
    "Drift",
    "Entry",
    "Event",
    "Facts",
    "Finding",
    "Floats",
    "Health",
    "Indication",
    "Ints",
    "Lack",
    "Look",
    "Mark",
    "Measurements",
    "Method",
    "Outcome",
    "Progress",
    "Quality",
    "Reason",
    "Rehearsal",
    "Segment",
    "Stance",
    "State",
    "Tests",
    "Told",
    "Trend",
    "Verdict",
    "WatchState",
    "Withdrawn",
    "Witness",
]
