"""Judge the condition of an electrode over its life, and forecast when it will be worn out.

Law: an electrode is judged by its own calibrations and by how far each was found off before the next one; every finding
says what to do. The forecast is a least-squares line with a prediction interval for a further calibration: where the
interval does not close, no date is named. Nothing here reads a clock or a store.
"""

from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from logger.config import CalibrationLimits
from logger.model import Calibration, Check, CheckKind, Finding, Floats, Health
from logger.structs import Struct, replace
from logger.units import DAY_US

DRIFT_WARN_PH_PER_DAY, DRIFT_FAST_PH_PER_DAY = 0.03, 0.08
"""How fast an electrode may drift in a ferment: to be looked after, no longer fit. Common practice, no source."""
SHORTEST_D = 0.5
"""Over less time than this no drift a day is told: the buffers' doubt would be divided by nearly nothing.

Common practice, no source.
"""
ENOUGH = 4
"""Fewer calibrations make no forecast. Common practice, no source."""
HORIZON_D = 730
"""Nobody knows what an electrode will do in more than two years. Common practice, no source."""
STUDENT_975 = (
    *(12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228),
    *(2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086),
    *(2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042),
)
"""Student's t, 97.5 % one-sided, for 1 to 30 degrees of freedom (JCGM 100:2008, Table G.2, there to two decimals)."""


class CalibrationSummary(Struct, frozen=True, kw_only=True):
    """One calibration in the life of an electrode, as the figures that tell its condition; None: not observed."""

    calibration: int
    at_us: int
    electrode: str
    slope_percent: float
    offset_mv: float
    t95_s: float | None = None
    """The slowest of its buffers."""
    noise_mv: float | None = None
    """The noisiest of its buffers."""
    found_ph: float | None = None
    """Largest deviation of the calibration before, as found before this one replaced it."""
    drift_ph_per_day: float | None = None
    """`found_ph` over the days between the two."""


class Outlook(StrEnum):
    """What can be said of the day on which the slope leaves its limit."""

    CANNOT_SAY = "cannot say"
    NOT_BEFORE = "not before"
    LIKELY = "likely about"
    REACHED = "reached"


class Forecast(Struct, frozen=True, kw_only=True):
    """When the slope of an electrode leaves its limit; times UTC in microseconds."""

    outlook: Outlook
    limit_percent: float
    calibrations: int
    """How many it rests on."""
    percent_per_day: float | None = None
    earliest_at_us: int | None = None
    likely_at_us: int | None = None
    latest_at_us: int | None = None
    why: str = ""


def summarise(
    calibration: Calibration, *, before: Calibration | None = None, checks: Iterable[Check] = ()
) -> CalibrationSummary:
    """Return a calibration as figures; `checks`: those of the one `before`, as it was found."""
    deviations = [check.deviation_ph for check in checks]
    worst = max(deviations, key=abs, default=None)
    days = 0.0 if before is None else (calibration.at_us - before.at_us) / DAY_US
    return CalibrationSummary(
        calibration=calibration.id,
        at_us=calibration.at_us,
        electrode=calibration.electrode,
        slope_percent=100.0 * calibration.slope,
        offset_mv=calibration.offset_mv,
        t95_s=max((p.settle_s for p in calibration.points if p.settle_s is not None), default=None),
        noise_mv=max((p.noise_mv for p in calibration.points if p.noise_mv > 0.0), default=None),
        found_ph=worst,
        drift_ph_per_day=None if worst is None or days < SHORTEST_D else worst / days,
    )


def history(calibrations: Sequence[Calibration], checks: Sequence[Check]) -> list[CalibrationSummary]:
    """Return the calibrations of an electrode as figures, oldest first, each with how the one before it was found.

    `calibrations`: those accepted, of one electrode.
    """
    summaries, before = list[CalibrationSummary](), None
    for calibration in sorted(calibrations, key=lambda c: (c.at_us, c.id)):
        checks_of_it = as_found_checks(checks, before, until_at_us=calibration.at_us) if before else ()
        summaries.append(summarise(calibration, before=before, checks=checks_of_it))
        before = calibration
    return summaries


def as_found_checks(
    checks: Iterable[Check], calibration: Calibration, *, until_at_us: int | None = None
) -> list[Check]:
    """Return how a calibration was found before it was replaced: the newest check of each buffer, by rising pH.

    What another electrode read with it tells nothing of it.
    """
    newest = {}
    for check in checks:
        is_its_own = check.calibration == calibration.id and check.electrode in ("", calibration.electrode)
        is_in_time = until_at_us is None or check.at_us <= until_at_us
        if check.kind is CheckKind.AS_FOUND and is_its_own and is_in_time:
            newest[check.buffer or round(check.reference_ph, 1)] = check
    return sorted(newest.values(), key=lambda check: check.reference_ph)


def condition(one: CalibrationSummary, limits: CalibrationLimits) -> list[Finding]:
    """Return what is to be said of an electrode by one of its calibrations, worst first; empty: it is in order."""
    findings = [*_of_slope(one, limits), *_of_offset(one, limits), *_of_response(one, limits), *_of_drift(one)]
    return sorted(findings, key=lambda finding: list(Health).index(finding.status))


def _of_slope(one: CalibrationSummary, limits: CalibrationLimits) -> Iterator[Finding]:
    slope = f"The slope is {one.slope_percent:.1f} % of the Nernst slope"
    low, high = limits.slope_refuse_low_percent, limits.slope_refuse_high_percent
    if one.slope_percent < low:
        text = f"{slope}, below {low:g} %: the glass is worn out, dirty or cracked. Clean it; if that does not help,"
        yield Finding(status=Health.FAILURE, text=f"{text} replace the electrode.")
    elif one.slope_percent > high:
        text = f"{slope}, which no electrode has (limit {high:g} %): a buffer was wrong. Calibrate in fresh buffers."
        yield Finding(status=Health.FAILURE, text=text)
    elif one.slope_percent < limits.slope_warn_low_percent:
        text = f"{slope}, below {limits.slope_warn_low_percent:g} %: clean the bulb and calibrate in fresh buffers."
        yield Finding(status=Health.MAINTENANCE_REQUIRED, text=text)
    elif one.slope_percent > limits.slope_warn_high_percent:
        text = f"{slope}, above {limits.slope_warn_high_percent:g} %: a buffer is stale or too warm. Calibrate again in"
        yield Finding(status=Health.MAINTENANCE_REQUIRED, text=f"{text} fresh ones.")


def _of_offset(one: CalibrationSummary, limits: CalibrationLimits) -> Iterator[Finding]:
    offset = f"The offset is {one.offset_mv:+.1f} mV at pH 7, beyond"
    if abs(one.offset_mv) > limits.offset_refuse_mv:
        text = f"{offset} +/-{limits.offset_refuse_mv:g} mV: the reference is spent or fouled. Replace the electrode."
        yield Finding(status=Health.FAILURE, text=text)
    elif abs(one.offset_mv) > limits.offset_warn_mv:
        text = f"{offset} +/-{limits.offset_warn_mv:g} mV: clean the junction, refill or soak the electrode."
        yield Finding(status=Health.MAINTENANCE_REQUIRED, text=text)


def _of_response(one: CalibrationSummary, limits: CalibrationLimits) -> Iterator[Finding]:
    """Yield what a slow or noisy electrode needs."""
    if one.t95_s is not None and one.t95_s > limits.settle_slow_s:
        text = f"It took {one.t95_s:.0f} s to settle in a buffer, over {limits.settle_slow_s:g} s: it cannot follow the"
        text = f"{text} vat. Clean it and soak it; if that does not help, replace it."
        yield Finding(status=Health.OUT_OF_SPECIFICATION, text=text)
    elif one.t95_s is not None and one.t95_s > limits.settle_warn_s:
        text = f"It took {one.t95_s:.0f} s to settle in a buffer, over {limits.settle_warn_s:g} s: clean bulb and"
        yield Finding(status=Health.MAINTENANCE_REQUIRED, text=f"{text} junction, soak it, calibrate in warm buffers.")
    if one.noise_mv is not None and one.noise_mv > limits.noise_warn_mv:
        text = f"It is noisy in a quiet buffer ({one.noise_mv:.1f} mV, limit {limits.noise_warn_mv:g} mV): look for an"
        yield Finding(status=Health.MAINTENANCE_REQUIRED, text=f"{text} air bubble, a wet plug, a broken cable.")


def _of_drift(one: CalibrationSummary) -> Iterator[Finding]:
    rate = one.drift_ph_per_day
    if rate is None or abs(rate) <= DRIFT_WARN_PH_PER_DAY:
        return
    is_fast = abs(rate) > DRIFT_FAST_PH_PER_DAY
    limit = DRIFT_FAST_PH_PER_DAY if is_fast else DRIFT_WARN_PH_PER_DAY
    what = "clean it; if it goes on, replace it." if is_fast else "check it every day, clean the junction."
    yield Finding(
        status=Health.OUT_OF_SPECIFICATION if is_fast else Health.MAINTENANCE_REQUIRED,
        text=f"It drifted by {rate:+.3f} pH a day before its calibration, over {limit:g}: {what}",
    )


def forecast(summaries: Sequence[CalibrationSummary], *, limit_percent: float, at_us: int) -> Forecast:
    """Return when the slope leaves its lower limit, seen from `at_us`, with a 95 % prediction interval.

    Earliest and latest are the days on which the lower and the upper bound of the interval for one further calibration
    pass the limit. No latest: the decline does not stand out of the scatter, so only `not before` is said.
    """
    bare = Forecast(outlook=Outlook.CANNOT_SAY, limit_percent=limit_percent, calibrations=len(summaries))
    t = np.array([(one.at_us - at_us) / DAY_US for one in summaries])
    if len(summaries) and summaries[-1].slope_percent < limit_percent:
        return replace(bare, outlook=Outlook.REACHED, why="the newest calibration is below the limit")
    if len(summaries) < ENOUGH:
        return replace(bare, why=f"{len(summaries)} of the {ENOUGH} calibrations that a forecast needs")
    if np.ptp(t) < 1.0:
        return replace(bare, why="all calibrations were made within a day")
    return _extrapolate(bare, t, np.array([one.slope_percent for one in summaries]), at_us=at_us)


def _extrapolate(bare: Forecast, t: Floats, slope_percent: Floats, *, at_us: int) -> Forecast:
    """Return what the line through slopes over days (from `at_us`) says of the days to come."""
    line, spread, rate = _line(t, slope_percent, np.arange(HORIZON_D + 1.0))
    earliest, likely, latest = (_first_true(b <= bare.limit_percent) for b in (line - spread, line, line + spread))
    with_rate = replace(bare, percent_per_day=rate)
    if earliest == 0 and latest is None:
        return replace(with_rate, why="the calibrations scatter too much")
    not_before = replace(with_rate, outlook=Outlook.NOT_BEFORE, earliest_at_us=at_us + (earliest or 0) * DAY_US)
    if earliest is None:
        never_us = at_us + HORIZON_D * DAY_US
        return replace(not_before, earliest_at_us=never_us, why="no sign of wear that far")
    if likely is None or latest is None:
        return replace(not_before, why="the decline does not stand out of the scatter yet")
    likely_at_us, latest_at_us = at_us + likely * DAY_US, at_us + latest * DAY_US
    return replace(not_before, outlook=Outlook.LIKELY, likely_at_us=likely_at_us, latest_at_us=latest_at_us)


def _line(t: Floats, y: Floats, ahead: Floats) -> tuple[Floats, Floats, float]:
    """Return the least-squares line at `ahead`, half the 95 % prediction interval there, and its rise a unit of t."""
    n, middle = len(t), t.mean()
    x = t - middle
    rise = float(x @ y / (x @ x))
    rest = y - y.mean() - rise * x
    s = np.sqrt(rest @ rest / (n - 2))
    quantile = STUDENT_975[min(n - 2, len(STUDENT_975)) - 1]
    far = ahead - middle
    return y.mean() + rise * far, quantile * s * np.sqrt(1.0 + 1.0 / n + far * far / (x @ x)), rise


def _first_true(true: NDArray[np.bool_]) -> int | None:
    indices = np.flatnonzero(true)
    return int(indices[0]) if len(indices) else None
