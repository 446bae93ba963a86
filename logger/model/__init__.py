"""The words that the rooms share: indications, columns, calibrations, commands, alarms.

Law: frozen data. Times are integers: `at_us` is UTC in microseconds since 1970, `elapsed_us` is the watch time, a
steady clock that never runs back; over a restart it goes on by the wall clock's difference. A value that is not known
is NaN in a column, None in a scalar; never a number that looks like one.
"""

from logger.config import Health
from logger.model.alarms import AlarmState, Cause, Entry, Event, State
from logger.model.batch import (
    BatchContent,
    BatchEntry,
    BatchEntryKind,
    Disposition,
    batch_id,
)
from logger.model.batch_record import AnyEntry, BatchRecord, FieldChange
from logger.model.belief import LEADING, Belief, BeliefSince
from logger.model.care import CareEntry, CareKind, CareState
from logger.model.claims import (
    PREMISES,
    Claim,
    Confirmation,
    Lack,
    TargetProgress,
    TargetWindow,
    WithdrawnClaim,
)
from logger.model.corrections import Correction, Deviation
from logger.model.estimate import Account, Estimate, Instrument, Question
from logger.model.forecast import BatchEnded, BatchOutlook, ForecastMade, ForecastState, Foresight
from logger.model.health import Finding
from logger.model.notification import DayCounters, Digest, Notification, VatFacts
from logger.model.records import (
    Block,
    Columns,
    Floats,
    Indication,
    Ints,
    Measurements,
    Quality,
    QualityTests,
    Reason,
    Value,
)
from logger.model.requests import (
    Acceptance,
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
)
from logger.model.thermometer import ThermometerState
from logger.model.trust import Doubt, EarnedBy, Level, Loss, TrustCause, TrustLevel, TrustState, TrustWindow, Variety
from logger.model.watch import (
    BatchState,
    Carry,
    ElectrodeState,
    Outcome,
    Rehearsal,
    ReportedState,
    SuppressionState,
    Trend,
    WatchState,
    WindowState,
)

__all__ = [
    "LEADING",
    "PREMISES",
    "Acceptance",
    "Account",
    "AlarmState",
    "Answer",
    "AnyEntry",
    "BatchContent",
    "BatchEnded",
    "BatchEntry",
    "BatchEntryKind",
    "BatchOutlook",
    "BatchRecord",
    "BatchState",
    "Belief",
    "BeliefSince",
    "Block",
    "Calibration",
    "CalibrationPoint",
    "CareEntry",
    "CareKind",
    "CareState",
    "Carry",
    "Cause",
    "Check",
    "CheckKind",
    "Claim",
    "Columns",
    "Command",
    "CommandKind",
    "Confirmation",
    "Correction",
    "DayCounters",
    "Deviation",
    "Digest",
    "Disposition",
    "Doubt",
    "EarnedBy",
    "ElectrodeState",
    "Entry",
    "Estimate",
    "Event",
    "FieldChange",
    "Finding",
    "Floats",
    "ForecastMade",
    "ForecastState",
    "Foresight",
    "Health",
    "Indication",
    "Instrument",
    "Ints",
    "Lack",
    "Level",
    "Loss",
    "Mark",
    "Measurements",
    "Method",
    "Notification",
    "Outcome",
    "Quality",
    "QualityTests",
    "Question",
    "Reason",
    "Rehearsal",
    "ReportedState",
    "Segment",
    "State",
    "SuppressionState",
    "TargetProgress",
    "TargetWindow",
    "ThermometerState",
    "Trend",
    "TrustCause",
    "TrustLevel",
    "TrustState",
    "TrustWindow",
    "Value",
    "Variety",
    "VatFacts",
    "WatchState",
    "WindowState",
    "WithdrawnClaim",
    "batch_id",
]
