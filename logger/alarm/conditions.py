"""Compare values with setpoints, and time how long they are abnormal.

Law: abnormal is at or beyond the setpoint (`>=` for a high alarm, `<=` for a low one); the deadband counts only on the
way back; an on-delay needs its whole length of abnormal values and nothing else, an off-delay likewise of values past
the deadband. Silence (no belief) neither advances, resets nor clears; a delay that spans a silence longer than the
limit starts anew. So the outcome depends on the values and their times alone, not on how they were cut into blocks.

Records that the jump or rate test spoke against are silence for process alarms, not merely suspect: a knocked probe
would raise pH alarms at random. What is suspect for another reason may raise an alarm and never clears one.

An alarm that is not armed judges nothing: whatever the value says, or does not say, its condition is over.
"""

from enum import Enum, IntEnum

import numpy as np

from logger.config import AlarmConfig
from logger.model import AlarmState, Ints, Value
from logger.model.elementwise import column, is_column, where
from logger.structs import Struct, replace
from logger.units import SECOND_US


class Code(IntEnum):
    """What one value says about a condition."""

    SILENT = -1
    PAST_DEADBAND = 0
    IN_DEADBAND = 1
    ABNORMAL = 2


class Turn(Enum):
    """What a condition does."""

    ACTIVE = "active"
    CLEARED = "cleared"
    DELAY_RESTARTED = "delay restarted"


class Change(Struct, frozen=True):
    """A condition turns at this index of the values it was given."""

    index: int
    turn: Turn
    since_us: int
    """Watch time since when the values have said so: the delay before is in it."""


def threshold_codes(alarm: AlarmConfig, value: Value, *, doubtful: Value, silent: Value) -> Value:
    """Return a `Code` a value, elementwise; a doubtful value may speak for the alarm, never against it.

    Instrument alarms have no setpoint: their value is 1.0 where the fault shows and 0.0 where it does not.
    """
    setpoint = 0.5 if alarm.setpoint is None else alarm.setpoint
    beyond = value - setpoint if alarm.kind.is_high else setpoint - value
    heard, firm = (True ^ silent) & (value == value), True ^ doubtful  # noqa: PLR0124 - NaN says nothing
    abnormal = heard & (beyond >= 0.0)
    spoken = abnormal | (heard & firm)
    not_past = abnormal | (spoken & (True ^ (beyond <= -alarm.deadband)))
    return int(Code.SILENT) + 1 * spoken + not_past + abnormal  # the codes rise by one


def where_armed(codes: Value, armed: Value) -> Value:
    """Return the codes of an alarm that is armed at some of its values and not at the others."""
    return where(armed, codes, int(Code.PAST_DEADBAND))


def detect(
    state: AlarmState, alarm: AlarmConfig, *, elapsed_us: Value, codes: Value, max_gap_us: int
) -> tuple[AlarmState, list[Change]]:
    """Run the codes through the delays; return the new state and where the condition turned."""
    if not is_column(codes):  # live: by numbers
        if codes == int(Code.SILENT):
            return state, []
        if codes != int(_awaited(state)):
            return _waiting(state, None), []
        elapsed_us, codes = column(elapsed_us), column(codes)
    spoken = (codes != int(Code.SILENT)).nonzero()[0]
    if not len(spoken):
        return state, []
    if not np.count_nonzero(codes == int(_awaited(state))):  # nearly always: nothing can turn
        return _waiting(state, None), []
    changes: list[Change] = []
    times, spoken_codes = elapsed_us[spoken], codes[spoken]
    before = times[0] if state.seen_us is None else state.seen_us
    gapped = np.diff(times, prepend=before) > max_gap_us
    begins = np.flatnonzero(gapped | (np.diff(spoken_codes, prepend=int(Code.SILENT)) != 0))
    for begin, end in zip(begins, np.append(begins[1:], len(spoken_codes)), strict=True):
        state, turned = _stretch(
            state, alarm, times=times[begin:end], code=Code(int(spoken_codes[begin])), gapped=bool(gapped[begin])
        )
        changes += [Change(int(spoken[begin + at]), turn, since_us) for at, turn, since_us in turned]
    return _waiting(state, int(times[-1])), changes


def _waiting(state: AlarmState, seen_us: int | None) -> AlarmState:
    """Return the state with the last time that a delay saw something; None: none runs any more."""
    if seen_us is None:
        return state if state.pending_us is None else replace(state, pending_us=None, seen_us=None)
    return replace(state, seen_us=None if state.pending_us is None else seen_us)


def _awaited(state: AlarmState) -> Code:
    """Return what values must say for the condition to turn."""
    return Code.PAST_DEADBAND if state.abnormal else Code.ABNORMAL


def _stretch(
    state: AlarmState, alarm: AlarmConfig, *, times: Ints, code: Code, gapped: bool
) -> tuple[AlarmState, list[tuple[int, Turn, int]]]:
    """Run equal codes with no gap but perhaps one before them: they turn the condition once at most."""
    if code != _awaited(state):
        return replace(state, pending_us=None), []
    turned: list[tuple[int, Turn, int]] = []
    since = state.pending_us
    if since is not None and gapped:
        turned = [] if state.abnormal else [(0, Turn.DELAY_RESTARTED, int(times[0]))]
        since = None
    since = int(times[0]) if since is None else since
    delay_s = alarm.off_delay_s if state.abnormal else alarm.on_delay_s
    due = int(np.searchsorted(times, since + round(delay_s * SECOND_US)))
    if due == len(times):
        return replace(state, pending_us=since), turned
    turned.append((due, Turn.CLEARED if state.abnormal else Turn.ACTIVE, since))
    return replace(state, abnormal=not state.abnormal, pending_us=None), turned
