"""Tell how the error of a reading hangs on each number that is estimated; see `error_state.py` for the equation.

Law: elementwise, by + - * / alone, on floats and on arrays alike: one row and ten thousand give the same bits.
"""

from logger.measure.error_state import FIRST_BEND, JUNCTION, JUNCTION_SLOPE, OFFSET, PIVOT_PH, RATE, SLOPE, THERMOMETER
from logger.measure.nernst import ISOPOTENTIAL_PH, ZERO_C_K
from logger.model import Account, Estimate, Value
from logger.structs import Struct

BENCH_C = 25.0
"""Temperature at which potentials are turned into pH in the state."""


class Sensitivities(Struct, frozen=True, kw_only=True):
    """How the error of readings hangs on the numbers of the state, and on what wandered since the newest check."""

    by_number: dict[int, Value]
    line: Value
    """How it hangs on a change of the offset."""
    steep: Value
    """The same of the slope."""
    days: Value


def sensitivities(known: Estimate, *, ph: Value, temperature_c: Value, days: Value, slope: Value) -> Sensitivities:
    """Return how the error of readings (pH, at C) some days after the newest check hangs on the state.

    `slope`: that of the line which each reading was taken from.
    """
    kelvin = temperature_c + ZERO_C_K
    warm = kelvin / (BENCH_C + ZERO_C_K)
    weight: Value = known.slope / (slope * warm)
    away = (ISOPOTENTIAL_PH - PIVOT_PH) - (ISOPOTENTIAL_PH - ph) * warm
    steep = weight * away
    by_number: dict[int, Value] = {
        OFFSET: weight,
        SLOPE: steep,
        RATE: weight * days,
        JUNCTION: 1.0,
        JUNCTION_SLOPE: ph - PIVOT_PH,
        THERMOMETER: (ISOPOTENTIAL_PH - ph) / kelvin,
    }
    for number, bend in enumerate(known.bends_ph, FIRST_BEND):
        beyond = away - (bend - PIVOT_PH)
        size = abs(beyond) if bend >= PIVOT_PH else -abs(beyond)
        by_number[number] = weight * (0.5 * (beyond + size))  # 0 up to the bend
    return Sensitivities(by_number=by_number, line=weight, steep=steep, days=days)


def expected_error(account: Account, parts: Sensitivities) -> Value:
    """Return the expected error (pH) of readings."""
    total: Value = 0.0
    for number, weight in parts.by_number.items():
        if account.mean[number]:
            total = total + weight * account.mean[number]
    return total


def error_variance(account: Account, parts: Sensitivities, numbers: tuple[int, ...] | None = None) -> Value:
    """Return the variance (pH^2) of the error of readings that some numbers of the state give; None: all.

    A covariance of nothing is left out: without a check that is most of them.
    """
    chosen = [number for number in parts.by_number if numbers is None or number in numbers]
    total: Value = 0.0
    for one in chosen:
        row, weight = account.covariance[one], parts.by_number[one]
        if row[one]:
            half = row[one] * weight
            for other in chosen:
                if other < one and row[other]:
                    half = half + (2.0 * row[other]) * parts.by_number[other]
            total = total + half * weight
    return total
