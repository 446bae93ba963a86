"""Estimate the error of a probe from its calibration and every check of it, in two accounts.

The steady account says that the electrode does what it did: it drifts as its history or the settings state. Readings,
limits and alarms go by it. The distrustful one differs in two numbers, rate and wander of the drift, so large that it
says: nobody knows what the electrode did since the newest check. A claim must hold in both (`claims.py`).

A check that lies further from what the steady account expects than three standard deviations is neither absorbed
quietly nor set aside: the offset becomes as doubtful as the surprise is large, the newest check counts, and the
question "probe or reference?" stands until a check that is about as good is expected. The distrustful account takes
each check for what it is.

Law: pure, in scalars; the state is as of the newest check (or the calibration) and is looked at from there in one step,
so nothing adds up from record to record. A calibration begins line and drift anew, a batch the junction and the other
instruments.

The junction's change with pH is 0.6 of its uncertainty for each pH, and it wanders by a fifth of it in a day; the slope
wanders by a third of the offset's wander for each pH. Common practice, no source.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import sqrt

from logger.config import ErrorModel
from logger.measure import error_state
from logger.measure.age import Moment, age_us, is_before
from logger.measure.calibration import point_u_mv, segments_of, x_of
from logger.measure.check_words import words_of
from logger.measure.drift import rate_of
from logger.measure.error_state import CLAIM, FIRST_BEND, OFFSET, PIVOT_PH, RATE, SLOPE, Wander
from logger.measure.nernst import ISOPOTENTIAL_PH, nernst_mv
from logger.measure.sensitivity import BENCH_C, sensitivities
from logger.model import (
    Account,
    Calibration,
    CalibrationPoint,
    Check,
    CheckKind,
    ElectrodeState,
    Estimate,
    Instrument,
    Question,
)
from logger.structs import Struct, replace
from logger.units import DAY_US

U_READING_PH = 0.01
"""Standard uncertainty of the settled reading beside a reference. Common practice, no source."""
OF_ITS_OWN = 0.4
"""Share of another instrument's standard uncertainty that is new at each reading. Common practice, no source."""
EXPECTED_WITHIN = 3.0
ANSWERED_WITHIN = 1.5
"""A check whose u is so many times as large as that of the one in question still answers it."""
DISTRUST_RATE_PH_PER_DAY, DISTRUST_WANDER_PH = 2.0, 0.5
"""Rate and wander (pH per root day) of the distrustful account: found by trial, no source."""
JUNCTION_PER_PH, JUNCTION_WANDER, SLOPE_WANDER = 0.6, 0.2, 1.0 / 3.0
MOST_INSTRUMENTS = 3
USUAL_METER = Instrument(name="another instrument", u_ph=0.05)
"""What is thought to be at hand where nobody said. Common practice, no source."""


class CheckOutcome(Struct, frozen=True, kw_only=True):
    """What a check found, and what the steady account expected."""

    estimate: Estimate
    is_expected: bool
    expected_ph: float
    allowed_ph: float
    """How far from that it might lie."""


def priors(line: Calibration, errors: ErrorModel) -> tuple[float, ...]:
    """Return the stated uncertainties that an estimate begins with."""
    return (rate_of(line, errors), errors.walk_ph_per_sqrt_day, errors.junction_ph, errors.temperature_c)


def start(line: Calibration, errors: ErrorModel, *, elapsed_us: int | None = None) -> Estimate:
    """Return what is known at a calibration, which was made at this watch time (None: not known)."""
    stated = priors(line, errors)
    rate, _, junction, celsius = stated
    rest = error_state.of_variances(
        (junction * junction, (JUNCTION_PER_PH * junction) ** 2, celsius * celsius, 0.0),
    )
    bends_ph, slope = bends(line)
    return Estimate(
        steady=_with_line(rest, line, rate=rate),
        distrustful=_with_line(rest, line, rate=DISTRUST_RATE_PH_PER_DAY),
        priors=stated,
        slope=slope,
        bends_ph=bends_ph,
        at_us=line.at_us,
        elapsed_us=elapsed_us,
    )


def recalibrated(before: Estimate | None, line: Calibration, errors: ErrorModel, *, elapsed_us: int | None) -> Estimate:
    """Return what is known at a new calibration; junction, thermometer, claim and other instruments are as before."""
    new = start(line, errors, elapsed_us=elapsed_us)
    if before is None or before.priors[1:] != new.priors[1:]:
        return new
    before = advance(before, at_us=line.at_us, elapsed_us=elapsed_us)
    of_line = (OFFSET, SLOPE, RATE, *range(FIRST_BEND, FIRST_BEND + len(before.bends_ph)))
    return replace(
        new,
        steady=_with_line(error_state.without(before.steady, of_line), line, rate=new.priors[0]),
        distrustful=_with_line(error_state.without(before.distrustful, of_line), line, rate=DISTRUST_RATE_PH_PER_DAY),
        instruments=before.instruments,
    )


def of_new_batch(before: Estimate) -> Estimate:
    """Return the estimate for another brine: what was known of line, drift and thermometer stays."""
    junction, size = before.priors[2], FIRST_BEND + len(before.bends_ph)
    other = range(size, size + len(before.instruments))
    new = error_state.of_variances((junction * junction, (JUNCTION_PER_PH * junction) ** 2, 0.0))

    def begin(account: Account) -> Account:
        kept = error_state.without(account, (error_state.JUNCTION, error_state.JUNCTION_SLOPE, CLAIM, *other))
        both, count = error_state.joined(kept, new), size - 3
        order = (0, 1, 2, count, count + 1, 3, count + 2, *range(4, count))
        return error_state.rearranged(both, order)

    return replace(
        before,
        steady=begin(before.steady),
        distrustful=begin(before.distrustful),
        instruments=(),
        claimed_days=0.0,
        claimed_by=(0.0, 0.0, 0.0),
    )


def days_until(known: Estimate, *, at_us: int, elapsed_us: int | None) -> float:
    """Return how many days after the newest check a time (UTC and watch time) is; before it none."""
    since, now = Moment(at_us=known.at_us, elapsed_us=known.elapsed_us), Moment(at_us=at_us, elapsed_us=elapsed_us)
    return 0.0 if is_before(now, since) else age_us(at_us, elapsed_us, since) / DAY_US


def advance(known: Estimate, *, at_us: int, elapsed_us: int | None) -> Estimate:
    """Return what is known at a later time (UTC and watch time); at an earlier one nothing has changed."""
    now = Moment(at_us=at_us, elapsed_us=elapsed_us)
    if is_before(now, Moment(at_us=known.at_us, elapsed_us=known.elapsed_us)):
        return known
    days = days_until(known, at_us=at_us, elapsed_us=elapsed_us)

    def later(account: Account, wander: Wander) -> Account:
        return error_state.advance(
            account, wander, days=days, claimed_days=known.claimed_days, claimed_by=known.claimed_by
        )

    return replace(
        known,
        steady=later(known.steady, wander_of(known)),
        distrustful=later(known.distrustful, wander_of(known, is_steady=False)),
        at_us=at_us,
        elapsed_us=elapsed_us,
        claimed_days=0.0,
        claimed_by=(0.0, 0.0, 0.0),
    )


def wander_of(known: Estimate, *, is_steady: bool = True) -> Wander:
    """Return how offset, slope and junction wander in an account."""
    _, walk, junction, _ = known.priors
    offset = walk if is_steady else DISTRUST_WANDER_PH
    return Wander(offset=offset * offset, slope=(SLOPE_WANDER * walk) ** 2, junction=(JUNCTION_WANDER * junction) ** 2)


def apply_check(before: Estimate, check: Check, *, elapsed_us: int | None = None) -> CheckOutcome:
    """Return what is known after a check, made at this watch time (None: not known), and whether it was expected."""
    now = advance(before, at_us=check.at_us, elapsed_us=elapsed_us)
    if check.kind is not CheckKind.BUFFER:
        now = _with_instrument(now, _instrument_of(now, check))
    h, noise = _hangs_on(now, check), noise_of(check)
    expected_ph = error_state.expected(now.steady, h)
    allowed_ph = EXPECTED_WITHIN * sqrt(error_state.variance(now.steady, h) + noise)
    surprise = check.deviation_ph - expected_ph
    is_expected = abs(surprise) <= allowed_ph
    steady = now.steady
    if not is_expected:
        number = OFFSET if check.kind is not CheckKind.INSTRUMENT else h.index(1.0)
        steady = error_state.widened(steady, number, by=surprise * surprise)
    after = replace(
        now,
        steady=error_state.condition(steady, h, found=check.deviation_ph, noise=noise),
        distrustful=error_state.condition(now.distrustful, h, found=check.deviation_ph, noise=noise),
        question=_question(before.question, check, is_expected=is_expected),
    )
    return CheckOutcome(estimate=after, is_expected=is_expected, expected_ph=expected_ph, allowed_ph=allowed_ph)


def _instrument_of(known: Estimate, check: Check) -> Instrument:
    """Return the other instrument of a check; its u is said beside a spot measurement only."""
    if check.kind is CheckKind.SPOT:
        return Instrument(name=check.instrument, u_ph=check.u_reference_ph)
    said = next((each for each in known.instruments if each.name == check.instrument), None)
    return said or Instrument(name=check.instrument, u_ph=USUAL_METER.u_ph)


def with_agreeing_spot(
    known: Estimate, instrument: Instrument, *, ph: float, temperature_c: float, slope: float
) -> Estimate:
    """Return what would be known if another instrument read now what the probe reads."""
    now = _with_instrument(known, instrument)
    h = _in_brine(now, instrument.name, ph=ph, temperature_c=temperature_c, slope=slope)
    noise = _spot_noise(instrument.u_ph)
    return replace(
        now,
        steady=error_state.condition(now.steady, h, found=0.0, noise=noise),
        distrustful=error_state.condition(now.distrustful, h, found=0.0, noise=noise),
    )


def with_claim(known: Estimate, *, days: float, ph: float, temperature_c: float, slope: float) -> Estimate:
    """Return the estimate with the error of a reading in it that is claimed, so many days after the newest check."""
    parts = sensitivities(known, ph=ph, temperature_c=temperature_c, days=days, slope=slope)
    h = [0.0] * _size(known)
    for number, weight in parts.by_number.items():
        h[number] = float(weight)
    by = (float(parts.line), float(parts.steep), 1.0)

    def copied(account: Account, wander: Wander) -> Account:
        gains = (wander.offset, wander.slope, wander.junction)
        so_far = days * sum(gain * weight * weight for gain, weight in zip(gains, by, strict=True))
        return error_state.with_claim(account, h, wandered=so_far)

    return replace(
        known,
        steady=copied(known.steady, wander_of(known)),
        distrustful=copied(known.distrustful, wander_of(known, is_steady=False)),
        claimed_days=days,
        claimed_by=by,
    )


def refreshed(electrode: ElectrodeState, errors: ErrorModel) -> ElectrodeState:
    """Return what is carried with an estimate by the uncertainties that are stated now.

    It is begun anew, by the newest check of each kind since the calibration, if it was begun with others.
    """
    line, known = electrode.calibration, electrode.estimate
    if line is None or (known is not None and known.priors == priors(line, errors)):
        return electrode
    new = start(line, errors, elapsed_us=electrode.calibrated_us)
    checks = ((electrode.check, electrode.checked_us), (electrode.spot, electrode.spotted_us))
    made = [(check, us) for check, us in checks if check is not None]
    for check, us in sorted(made, key=lambda each: each[0].at_us):
        new = apply_check(new, check, elapsed_us=us).estimate
    return replace(electrode, estimate=new)


def noise_of(check: Check) -> float:
    """Return the variance that is new in each check: that of the reading and, beside it, of the reference."""
    if check.kind is CheckKind.SPOT:
        return _spot_noise(check.u_reference_ph)
    return check.u_reference_ph**2 + U_READING_PH**2


def _spot_noise(u_ph: float) -> float:
    return (OF_ITS_OWN * u_ph) ** 2 + U_READING_PH**2


def bends(line: Calibration) -> tuple[tuple[float, ...], float]:
    """Return where the line bends (pH at 25 C, rising), and its slope at the pivot."""
    segments = segments_of(line)
    if len(segments) == 1:
        return (), segments[0].slope
    knots = [_pivot_ph(point) for point in sorted(line.points, key=lambda p: (p.buffer_ph, p.potential_mv))]
    return tuple(knots[1:-1]), segments[sum(knot < PIVOT_PH for knot in knots[1:-1])].slope


def _pivot_ph(point: CalibrationPoint) -> float:
    """Return the pH that the potential of a point means at 25 C."""
    return ISOPOTENTIAL_PH - x_of(point) / nernst_mv(BENCH_C)


def _with_line(rest: Account, line: Calibration, *, rate: float) -> Account:
    """Return junction, junction's slope, thermometer, claim and instruments with a new line before them."""
    of_line = _line_account(line, rate)
    both, new = error_state.joined(of_line, rest), len(of_line.mean)
    order = (0, 1, 2, *range(new, new + 4), *range(3, new), *range(new + 4, len(both.mean)))
    return error_state.rearranged(both, order)


def _line_account(line: Calibration, rate: float) -> Account:
    """Return offset, slope and rate at a calibration, and by how much its slope changes at each bend."""
    bends_ph, slope = bends(line)
    span = slope * nernst_mv(BENCH_C)
    if bends_ph:
        ends = sorted(line.points, key=lambda p: (p.buffer_ph, p.potential_mv))
        knots, spread = [_pivot_ph(p) for p in ends], [(point_u_mv(p, slope) / span) ** 2 for p in ends]
        rows = _by_points(knots, sum(bend < PIVOT_PH for bend in bends_ph))
        table = [[sum(a * b * v for a, b, v in zip(one, two, spread, strict=True)) for two in rows] for one in rows]
    else:
        lever = nernst_mv(BENCH_C) * (ISOPOTENTIAL_PH - PIVOT_PH)
        at = segments_of(line)[0]
        of_offset = (at.var_offset + 2.0 * lever * at.cov + lever * lever * at.var_slope) / (span * span)
        both = -(at.cov + lever * at.var_slope) / (slope * span)
        table = [[of_offset, both], [both, at.var_slope / (slope * slope)]]
    of_rate = [0.0] * len(table)
    table = [[*row[:2], 0.0, *row[2:]] for row in table]
    table.insert(2, [*of_rate[:2], rate * rate, *of_rate[2:]])
    rows_down = tuple(tuple(row[: place + 1]) for place, row in enumerate(table))
    return Account(mean=(0.0,) * len(table), covariance=rows_down)


def _by_points(knots: Sequence[float], home: int) -> list[list[float]]:
    """Return how offset, slope and the change of slope at each bend hang on the error in each buffer (pH).

    `home`: number of the segment in which the pivot lies; away from it a bend adds its change of slope.
    """
    steep = [
        [(-1.0 if n == m else 1.0) / (high - low) if n in (m, m + 1) else 0.0 for n in range(len(knots))]
        for m, (low, high) in enumerate(pairwise(knots))
    ]
    away = PIVOT_PH - knots[home]
    offset = [each * away + (1.0 if n == home else 0.0) for n, each in enumerate(steep[home])]
    changes = [
        [after - before for before, after in zip(*pair, strict=True)]
        for pair in ((steep[m], steep[m + 1]) if m >= home else (steep[m + 1], steep[m]) for m in range(len(steep) - 1))
    ]
    return [offset, steep[home], *changes]


def _hangs_on(known: Estimate, check: Check) -> list[float]:
    """Return how what a check finds hangs on the state."""
    if check.kind is CheckKind.INSTRUMENT:
        h = [0.0] * _size(known)
        h[_number_of(known, check.instrument)] = 1.0
        return h
    celsius = BENCH_C if check.temperature_c is None else check.temperature_c
    if check.kind is CheckKind.SPOT:
        return _in_brine(known, check.instrument, ph=check.reading_ph, temperature_c=celsius, slope=known.slope)
    h = _of_reading(known, ph=check.reading_ph, temperature_c=celsius, slope=known.slope)
    for number in (error_state.JUNCTION, error_state.JUNCTION_SLOPE, error_state.THERMOMETER):
        h[number] = 0.0
    return h


def _in_brine(known: Estimate, instrument: str, *, ph: float, temperature_c: float, slope: float) -> list[float]:
    h = _of_reading(known, ph=ph, temperature_c=temperature_c, slope=slope)
    h[_number_of(known, instrument)] = -1.0
    return h


def _of_reading(known: Estimate, *, ph: float, temperature_c: float, slope: float) -> list[float]:
    """Return how the error of one reading now hangs on each number of the state."""
    h = [0.0] * _size(known)
    parts = sensitivities(known, ph=ph, temperature_c=temperature_c, days=0.0, slope=slope)
    for number, weight in parts.by_number.items():
        h[number] = float(weight)
    return h


def _size(known: Estimate) -> int:
    return len(known.steady.mean)


def _number_of(known: Estimate, instrument: str) -> int:
    names = [each.name for each in known.instruments]
    return FIRST_BEND + len(known.bends_ph) + names.index(instrument)


def _with_instrument(known: Estimate, used: Instrument) -> Estimate:
    """Return the estimate with another instrument's own error in it; what was said of one that returns is kept.

    If it is said to be rougher than before, its own error is as doubtful.
    """
    old = next((each for each in known.instruments if each.name == used.name), None)
    if old is not None:
        grown = used.u_ph**2 - old.u_ph**2
        if grown <= 0.0:
            return known
        number = _number_of(known, used.name)
        renamed = tuple(used if each.name == used.name else each for each in known.instruments)
        return replace(
            known,
            steady=error_state.widened(known.steady, number, by=grown),
            distrustful=error_state.widened(known.distrustful, number, by=grown),
            instruments=renamed,
        )
    if len(known.instruments) == MOST_INSTRUMENTS:
        known = _without_instrument(known, known.instruments[0].name)
    new = error_state.of_variances((used.u_ph**2,))
    return replace(
        known,
        steady=error_state.joined(known.steady, new),
        distrustful=error_state.joined(known.distrustful, new),
        instruments=(*known.instruments, used),
    )


def _without_instrument(known: Estimate, name: str) -> Estimate:
    number = _number_of(known, name)
    return replace(
        known,
        steady=error_state.without(known.steady, (number,)),
        distrustful=error_state.without(known.distrustful, (number,)),
        instruments=tuple(each for each in known.instruments if each.name != name),
    )


def _question(before: Question | None, check: Check, *, is_expected: bool) -> Question | None:
    """Return the question that stands after a check; two of them ask for the better of both references."""
    if is_expected:
        is_answer = before is not None and check.u_reference_ph <= ANSWERED_WITHIN * before.u_ph
        return None if is_answer else before
    u_ph = check.u_reference_ph if before is None else min(before.u_ph, check.u_reference_ph)
    return Question(u_ph=u_ph, text=f"{words_of(check)}, {check.deviation_ph:+.2f} off, which nobody expected")
