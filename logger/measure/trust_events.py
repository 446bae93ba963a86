"""Take what persons say and do into the trust in a probe: back in the vat, calibrated, checked, a batch started.

Law: pure; what somebody says is borne out by the windows after it (`trust.py`), so these begin the course anew and keep
the level before it.
"""

import numpy as np

from logger.measure import continuity, trust_windows
from logger.measure.trust import Around, TrustRun
from logger.measure.trust_windows import ClosedWindows
from logger.model import Calibration, Doubt, EarnedBy, Level, TrustCause, TrustState
from logger.structs import replace


def level_of(state: TrustState, line: Calibration | None, *, length_us: int) -> Level | None:
    """Return where the vat was before trust was lost, or else is now; None: too little was seen."""
    if state.loss is not None:
        return state.loss.before
    if len(state.windows) < continuity.LEVEL:
        return None
    run = TrustRun(Around(line=line, length_us=length_us, unsettled_us=None), state)
    run.windows = trust_windows.after(state.windows, ClosedWindows.none())
    run.course = continuity.compare(run.windows, line, length_us=length_us)
    last = len(run.windows) - 1
    return run.level(last, float(run.course.slope[last]))


def expect(state: TrustState, line: Calibration | None, *, length_us: int) -> TrustState:
    """Take the word that the probe is back in its vat: what it reads must bear that out; the windows begin anew."""
    expected = state.expected or level_of(state, line, length_us=length_us)
    return replace(state, expected=expected, windows=(), anew_us=None, scattered=False, earned_by=None)


def recalibrate(state: TrustState, before: Calibration | None, *, length_us: int) -> TrustState:
    """Take a new calibration: the level before may be meant by either line, for the electrode may be another one."""
    level = state.expected or level_of(state, before, length_us=length_us)
    if level is not None and level.former_ph is None and before is not None:
        mv, warm_c = np.array([level.potential_mv]), np.array([level.temperature_c])
        level = replace(level, former_ph=float(continuity.ph_at(before, mv, warm_c).item()))
    return verify(replace(state, expected=level, windows=(), anew_us=None, scattered=False))


def verify(state: TrustState) -> TrustState:
    """Take a check that agrees, or a new calibration: what was known from a backup alone is known now."""
    is_by_backup = state.doubt is not None and state.doubt.cause is TrustCause.BACKUP
    return replace(state, doubt=None, earned_by=EarnedBy.CHECK) if is_by_backup else state


def doubt_backup(state: TrustState, *, elapsed_us: int, at_us: int) -> TrustState:
    """Doubt a probe of which only a backup tells; what was learnt of its vat is of then, so the windows begin anew."""
    doubt = Doubt(
        cause=TrustCause.BACKUP, since_us=elapsed_us, since_at_us=at_us, before_c=0.0, now_c=0.0, before_mv=0.0
    )
    return replace(state, doubt=doubt, windows=(), anew_us=None, scattered=False)


def earn(state: TrustState, by: EarnedBy, *, elapsed_us: int, at_us: int) -> TrustState:
    """Take a check that agrees, or the start of a batch: trust is earned, and the course begins anew."""
    return replace(
        state,
        loss=None,
        doubt=None,
        expected=None,
        windows=(),
        anew_us=None,
        scattered=False,
        unbroken_us=elapsed_us if state.loss is not None else state.unbroken_us,
        unbroken_at_us=at_us if state.loss is not None else state.unbroken_at_us,
        earned_by=by,
    )
