"""Tell how fast an electrode drifts: by its own history, else as the settings state.

Law: a few quiet intervals prove little, so there is a least rate.
"""

from collections.abc import Iterable, Sequence
from itertools import groupby
from statistics import fmean, median

from logger.config import ErrorModel
from logger.model import Calibration, Check, CheckKind
from logger.units import DAY_US

LEAST_INTERVALS, LEAST_DAYS, LEAST_RATE_PH_PER_DAY = 3, 1.0, 0.004
ROBUST = 1.4826
"""Standard deviation of a normal distribution for a median of distances from its middle of 1."""


def rate_of(calibration: Calibration, errors: ErrorModel) -> float:
    """Return the standard deviation of the rate (pH a day): the electrode's own, else the stated default."""
    own = calibration.drift_ph_per_day
    return errors.drift_ph_per_day if own is None else own


def rate_from_history(checks: Iterable[Check], calibrations: Sequence[Calibration], *, electrode: str) -> float | None:
    """Return the standard deviation of the drift rate (pH a day) as this electrode was found at its calibrations.

    None before there are three intervals of a day or more. Robust: from the median distance from no drift; never below
    0.004, for a few quiet intervals prove little.
    """
    made_at = {c.id: c.at_us for c in calibrations if c.electrode == electrode}
    mine = [c for c in checks if c.kind is CheckKind.AS_FOUND and c.electrode == electrode and c.calibration in made_at]
    rates: list[float] = []
    for (calibration, at_us), group in groupby(_in_order(mine), key=lambda c: (c.calibration, c.at_us)):
        days = (at_us - made_at[calibration]) / DAY_US
        if days >= LEAST_DAYS:
            rates.append(fmean(c.deviation_ph for c in group) / days)
    if len(rates) < LEAST_INTERVALS:
        return None
    return max(LEAST_RATE_PH_PER_DAY, ROBUST * float(median(map(abs, rates))))


def _in_order(checks: Iterable[Check]) -> list[Check]:
    return sorted(checks, key=lambda c: (c.calibration, c.at_us, c.reference_ph))
