"""Accept a calibration, accept it with a warning, or refuse it, and say why.

Law: pure; every finding is a sentence that says what it means and what to do. One cause, one finding: where a single
mistake explains everything (swapped buffers, reversed wires), nothing else is said of slope, offset and residual. A
refused calibration is for the record; the one in force stays. Limits: `config.CalibrationLimits`; what is told of
buffers and bulbs is common practice, no source, unless it says otherwise.

As-found deviations are taken from the same readings, silently, and stored in the same transaction.
"""

from collections.abc import Iterator, Sequence

from logger.config import CalibrationLimits
from logger.measure.buffers import confused_buffer
from logger.measure.calibration import ASSUMED_SLOPE, deviations_as_found, fit, is_replaced, segments_of
from logger.model import Acceptance, Calibration, CalibrationPoint, Method
from logger.structs import replace
from logger.units import DAY_US

Judgement = tuple[Acceptance, str]
_RANK = (Acceptance.ACCEPTED, Acceptance.WARNED, Acceptance.REFUSED)
DEAD_SLOPE = 0.25
"""Below this share of the Nernst slope no glass bulb answers at all."""
FOUND_OFF_PH = 0.15
"""As found, further off than this the log since then should be looked at. Common practice, no source."""
ONE_BUFFER_PH, OTHERS_PH = 0.10, 0.05
"""One buffer so far from the calibration in force while the others agree: rather that buffer than the electrode."""
ALKALINE_PH = 8.5
"""Buffers above this take up carbon dioxide from the air, and fall."""


def accept(
    calibration: Calibration,
    limits: CalibrationLimits,
    *,
    previous: Calibration | None = None,
    warnings: Sequence[str] = (),
) -> Calibration:
    """Return the calibration with its verdict and its findings, the gravest first.

    `previous`: the calibration in force, read in the same buffers (as found) unless of another electrode. `warnings`:
    what the caller knows besides (an expired buffer). What `fit` found (one point only) warns too.
    """
    judgements: list[Judgement] = [(Acceptance.WARNED, text) for text in (*calibration.findings, *warnings)]
    mistake = _one_mistake(calibration, limits)
    if mistake is None:
        judgements += _line(calibration, limits)
        if previous is not None and not is_replaced(previous.electrode, calibration.electrode):
            judgements += _deviations(calibration, previous)
    else:
        judgements.append((Acceptance.REFUSED, mistake))
    judgements += _points(calibration, limits)
    judgements.sort(key=lambda each: -_RANK.index(each[0]))
    worst = max((each for each, _ in judgements), key=_RANK.index, default=Acceptance.ACCEPTED)
    stays = ("The calibration in force stays.",) if worst is Acceptance.REFUSED else ()
    return replace(calibration, verdict=worst, findings=(*(text for _, text in judgements), *stays))


def _one_mistake(calibration: Calibration, limits: CalibrationLimits) -> str | None:
    """Name the one mistake without which these points would be those of a working electrode; None: there is none."""
    rising = sorted(calibration.points, key=lambda p: p.buffer_ph)
    if len(rising) == 1 or _works(calibration, limits):
        return None
    falling_mv = sorted((p.potential_mv for p in rising), reverse=True)
    swapped = [replace(p, potential_mv=mv) for p, mv in zip(rising, falling_mv, strict=True)]
    if swapped != rising and _works(_refit(calibration, swapped), limits):
        which = " and ".join(_label(p) for p, q in zip(rising, swapped, strict=True) if p != q)
        return (
            f"Buffers swapped: {which} would fit an electrode in good order the other way round. Look at the labels,"
            " rinse, dip each again"
        )
    if _works(_refit(calibration, [replace(p, potential_mv=-p.potential_mv) for p in rising]), limits):
        return (
            "The potential rises with pH, and it must fall: the sign of the millivolts is reversed. Check the wiring or"
            " the instrument's setting, then dip again"
        )
    return None


def _refit(calibration: Calibration, points: Sequence[CalibrationPoint]) -> Calibration:
    return fit(points, probe=calibration.probe, at_us=calibration.at_us, by=calibration.by, method=calibration.method)


def _works(calibration: Calibration, limits: CalibrationLimits) -> bool:
    return all(verdict is not Acceptance.REFUSED for verdict, _ in _line(calibration, limits))


def _line(calibration: Calibration, limits: CalibrationLimits) -> list[Judgement]:
    """Judge slope, offset and residual; where one buffer is to blame for all, only that is said."""
    bent = list(_residual(calibration, limits))
    if any(verdict is Acceptance.REFUSED for verdict, _ in bent) and _works(_outlier(calibration)[1], limits):
        return bent
    judgements = [*_slopes(calibration, limits), *_offset(calibration, limits)]
    is_line = all(verdict is not Acceptance.REFUSED for verdict, _ in judgements)
    return [*judgements, *(bent if is_line else ())]


def _slopes(calibration: Calibration, limits: CalibrationLimits) -> Iterator[Judgement]:
    """Judge the slope of the line through all points."""
    percent = 100.0 * calibration.slope
    if percent > limits.slope_refuse_high_percent:
        yield Acceptance.REFUSED, f"Slope {percent:.1f} %: {_TOO_STEEP}"
    elif percent < limits.slope_refuse_low_percent:
        is_dead = min(segment.slope for segment in segments_of(calibration)) < DEAD_SLOPE
        yield Acceptance.REFUSED, f"Slope {percent:.1f} %: {_DEAD if is_dead else _TOO_FLAT}"
    elif percent > limits.slope_warn_high_percent:
        yield Acceptance.WARNED, f"Slope {percent:.1f} %: {_TOO_STEEP}"
    elif percent < limits.slope_warn_low_percent:
        yield Acceptance.WARNED, f"Slope {percent:.1f} %: {_WORN}"


_TOO_STEEP = (
    "no electrode answers by more than the Nernst slope, so one buffer is not what its label says (stale, contaminated,"
    " a technical 7.00 taken for a 6.86) or a temperature is wrong. Open fresh buffers and calibrate again"
)
_TOO_FLAT = (
    "the electrode hardly answers to pH: a cracked, dry or dirty bulb, or a stale buffer. First look whether the glass"
    " is whole (a splinter would be in the vat); then clean it, soak it, use fresh buffers. If it stays so, the"
    " electrode is lost"
)
_DEAD = (
    "the potentials hardly differ: the same buffer dipped twice, a bulb cracked through, or a loose or wet plug. First"
    " look whether the glass is whole (a splinter would be in the vat); then check the plug, and dip again"
)
_WORN = (
    "the bulb is dirty or ageing, or a buffer is stale. Clean the bulb, use fresh buffers and calibrate again; if it"
    " stays so after cleaning twice, order an electrode"
)


def _offset(calibration: Calibration, limits: CalibrationLimits) -> Iterator[Judgement]:
    """Judge the potential at pH 7."""
    offset = calibration.offset_mv
    if abs(offset) > limits.offset_refuse_mv:
        yield (
            Acceptance.REFUSED,
            (
                f"Offset {offset:+.1f} mV at pH 7, beyond {limits.offset_refuse_mv:g}: a wrong buffer value, a clogged"
                " junction, a poisoned reference, or the filling is gone. Check the labels, clean the junction, refill"
            ),
        )
    elif abs(offset) > limits.offset_warn_mv:
        yield (
            Acceptance.WARNED,
            (
                f"Offset {offset:+.1f} mV at pH 7, beyond {limits.offset_warn_mv:g}: the reference ages or the junction"
                " clogs. Clean the junction, refill if it can be; watch the offset at the next calibration"
            ),
        )


def _residual(calibration: Calibration, limits: CalibrationLimits) -> Iterator[Judgement]:
    """Judge how well three or more buffers lie on one line."""
    off_mv, slopes = calibration.residual_mv, [100.0 * segment.slope for segment in segments_of(calibration)]
    apart = max(slopes) - min(slopes)
    low, high = limits.slope_refuse_low_percent, limits.slope_refuse_high_percent
    if off_mv > limits.residual_refuse_mv or (apart > 0 and not low <= min(slopes) <= max(slopes) <= high):
        verdict = Acceptance.REFUSED
    elif off_mv > limits.residual_warn_mv or apart > limits.asymmetry_warn_percent:
        verdict = Acceptance.WARNED
    else:
        return
    between = f", slopes of {min(slopes):.1f} and {max(slopes):.1f} % between them" if apart > 0 else ""
    yield verdict, f"The buffers lie up to {off_mv:.1f} mV off one line{between}: one is off. {_suspect(calibration)}"


def _suspect(calibration: Calibration) -> str:
    """Say what is rather wrong with the buffer that is rather the one."""
    point, others = _outlier(calibration)
    if min(segment.slope for segment in segments_of(others)) <= 0:
        return "The buffers cannot tell which. Look at the labels and the glass, rinse between them, dip each again"
    deviation = deviations_as_found(others, [point])[0]
    reads = f"by the others {_label(point)} reads {point.buffer_ph + deviation:.2f}"
    sentence = confused_buffer(deviation, buffer_ph=point.buffer_ph)
    if sentence is not None:
        return sentence
    for other in others.points:
        if abs(point.buffer_ph + deviation - other.buffer_ph) < ONE_BUFFER_PH:
            return f"Rather the same buffer was dipped twice: {reads}, as {_label(other)} does. Dip it again"
    if point.buffer_ph == calibration.high_ph and point.buffer_ph > ALKALINE_PH and deviation < 0:
        use = " Readings below the other buffers do not use it" if calibration.method is Method.BRACKETING else ""
        return (
            f"An opened alkaline buffer falls by carbon dioxide from the air: {reads}. Open a fresh one."
            f"{use or ' Or calibrate without it'}"
        )
    return (
        f"Rather that one is stale or contaminated: {reads}; {len(calibration.points)} buffers cannot tell for sure."
        " Make it afresh, rinse between them, dip again"
    )


def _outlier(calibration: Calibration) -> tuple[CalibrationPoint, Calibration]:
    """Return the point without which the others give best the slope that electrodes usually have, and the others."""
    rising = sorted(calibration.points, key=lambda p: p.buffer_ph)
    without = [(p, _refit(calibration, [q for q in rising if q is not p])) for p in rising]
    return min(without, key=lambda pair: _unusual(pair[1]))


def _unusual(calibration: Calibration) -> float:
    """Return how far a calibration is from a straight line of the usual slope, as a share of the slope."""
    slopes = [segment.slope for segment in segments_of(calibration)]
    return abs(calibration.slope - ASSUMED_SLOPE) + max(slopes) - min(slopes)


def _label(point: CalibrationPoint) -> str:
    """Name a buffer as a person knows it."""
    return f"pH {point.buffer_ph:.2f} ({point.buffer})" if point.buffer else f"pH {point.buffer_ph:.2f}"


def _points(calibration: Calibration, limits: CalibrationLimits) -> Iterator[Judgement]:
    """Judge how the points were taken."""
    for point in calibration.points:
        where = f"in {_label(point)}"
        if point.noise_mv > limits.noise_warn_mv:
            yield (
                Acceptance.WARNED,
                (
                    f"Noise of {point.noise_mv:.2f} mV {where}: an air bubble in the bulb (shake it down), a loose"
                    " plug, or a motor near by"
                ),
            )
        if point.settle_s is not None and point.settle_s > limits.settle_warn_s:
            slow = point.settle_s > limits.settle_slow_s
            what = "the bulb or the junction is dirty or worn" if slow else "a cold buffer, or a bulb to be cleaned"
            remedy = "Clean both; if it stays so, order an electrode" if slow else "Stir, and give it time"
            yield Acceptance.WARNED, f"It took {point.settle_s:.0f} s to settle {where}: {what}. {remedy}"
    yield from _spread(calibration, limits)


def _spread(calibration: Calibration, limits: CalibrationLimits) -> Iterator[Judgement]:
    """Judge the temperatures of the buffers beside each other."""
    cold, warm = (pick(calibration.points, key=lambda p: p.temperature_c) for pick in (min, max))
    spread = warm.temperature_c - cold.temperature_c
    if spread > limits.temperature_spread_warn_c:
        yield (
            Acceptance.REFUSED if spread > limits.temperature_spread_refuse_c else Acceptance.WARNED,
            (
                f"Cold buffer: {_label(cold)} had {cold.temperature_c:.1f} C, {_label(warm)}"
                f" {warm.temperature_c:.1f} C: the electrode lags behind. Let buffers, rinse and probe come to one"
                " temperature, then dip again"
            ),
        )


def _deviations(calibration: Calibration, previous: Calibration) -> Iterator[Judgement]:
    """Tell what the calibration in force reads in these buffers, and whom that speaks against."""
    rising = sorted(calibration.points, key=lambda p: p.buffer_ph)
    deviations = deviations_as_found(previous, rising)
    days = (calibration.at_us - previous.at_us) / DAY_US
    yield Acceptance.ACCEPTED, _as_found_text(rising, deviations, days)
    far = [i for i, each in enumerate(deviations) if abs(each) > ONE_BUFFER_PH]
    near = [each for each in deviations if abs(each) < OTHERS_PH]
    if len(far) == 1 and len(near) == len(deviations) - 1 and near:
        point, off = rising[far[0]], deviations[far[0]]
        stale = (
            f"Only the buffer {_label(point)} reads otherwise than with the calibration in force, by"
            f" {off:+.2f}: rather this buffer is stale or contaminated than the electrode changed. Open a fresh one"
            " and calibrate again"
        )
        yield Acceptance.WARNED, confused_buffer(off, buffer_ph=point.buffer_ph) or stale
    elif max(map(abs, deviations)) > FOUND_OFF_PH:
        yield (
            Acceptance.WARNED,
            (
                f"The calibration in force is found off by over {FOUND_OFF_PH} pH: look again at what was decided by"
                " the log since then"
            ),
        )


def _as_found_text(points: Sequence[CalibrationPoint], deviations: Sequence[float], days: float) -> str:
    each = ", ".join(f"{round(off, 2) + 0.0:+.2f} in {_label(p)}" for p, off in zip(points, deviations, strict=True))
    mean = sum(deviations) / len(deviations)
    rate = f" ({mean / days:+.3f} a day)" if days >= 1.0 else ""
    return f"As found, after {days:.1f} days: {each}{rate}"
