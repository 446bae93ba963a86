"""Keep what is known of a probe's error as one normal distribution, and condition it on what checks find.

The error of a reading x (pH, at C), reading minus truth:

    e = w (offset + slope y + bends) + junction + junction_slope (x - pivot) + thermometer (7 - x) / (C + 273.15)

with y = 7 - (7 - x) (C + 273.15) / 298.15 - pivot, the distance from the pivot that the same potential has at 25 C, and
w = 298.15 / (C + 273.15) times the pivot's slope over that of the reading's segment: an error of the line is one of a
potential. `rate` moves the offset by so much a day; offset, slope and junction wander besides. `claim` is the error at
the claim, which moves no more (a fixed-point smoother). What follows are the bends of a bracketing calibration and the
own errors of other instruments.

Law: pure, in scalars, by + - * / alone; conditioning is exact for a linear model with normal errors (Kalman 1960), so
it equals conditioning on all checks at once. `h` says how a finding z = h' state + noise hangs on the state.
"""

from collections.abc import Iterable, Sequence

from logger.model import Account
from logger.structs import Struct, replace

PIVOT_PH = 4.6
"""Offset and junction are those at this pH, where ferments are judged."""
OFFSET, SLOPE, RATE, JUNCTION, JUNCTION_SLOPE, THERMOMETER, CLAIM = range(7)
FIRST_BEND = 7
"""Bends and instruments follow from here."""

Vector = Sequence[float]


class Wander(Struct, frozen=True, kw_only=True):
    """Variances that offset, slope and junction gain a day (pH^2)."""

    offset: float
    slope: float
    junction: float


def of_variances(variances: Iterable[float]) -> Account:
    """Return the account of independent numbers, all expected to be 0, with these variances."""
    diagonal = tuple(variances)
    rows = tuple((*(0.0,) * place, variance) for place, variance in enumerate(diagonal))
    return Account(mean=(0.0,) * len(diagonal), covariance=rows)


def covariance(account: Account, one: int, other: int) -> float:
    """Return the covariance of two numbers."""
    return account.covariance[max(one, other)][min(one, other)]


def expected(account: Account, h: Vector) -> float:
    """Return what is expected of h' state."""
    return sum(a * b for a, b in zip(h, account.mean, strict=True))


def covariances(account: Account, h: Vector) -> tuple[float, ...]:
    """Return the covariance of h' state with each number."""
    used = [(place, weight) for place, weight in enumerate(h) if weight]
    return tuple(
        sum(weight * covariance(account, place, number) for place, weight in used)
        for number in range(len(account.mean))
    )


def variance(account: Account, h: Vector) -> float:
    """Return the variance of h' state."""
    return sum(a * b for a, b in zip(h, covariances(account, h), strict=True))


def condition(account: Account, h: Vector, *, found: float, noise: float) -> Account:
    """Return what is known once z = h' state + noise was found; `noise`: its variance."""
    shared = covariances(account, h)
    total = sum(a * b for a, b in zip(h, shared, strict=True)) + noise
    surprise = found - expected(account, h)
    return Account(
        mean=tuple(mean + each / total * surprise for mean, each in zip(account.mean, shared, strict=True)),
        covariance=tuple(
            tuple(old - shared[i] * shared[j] / total for j, old in enumerate(row))
            for i, row in enumerate(account.covariance)
        ),
    )


def advance(account: Account, wander: Wander, *, days: float, claimed_days: float, claimed_by: Vector) -> Account:
    """Return what is known some days later.

    `claimed_days`, `claimed_by`: when a claim was made on the way, and how it hung on what wanders: what had wandered
    by then is in both.
    """
    grown = [list(row) for row in account.covariance]
    by_rate = [covariance(account, RATE, number) for number in range(len(account.mean))]
    for number in range(1, len(grown)):
        grown[number][OFFSET] += days * by_rate[number]
    grown[OFFSET][OFFSET] += 2.0 * days * by_rate[OFFSET] + days * days * by_rate[RATE]
    for number, gain, weight in zip(
        (OFFSET, SLOPE, JUNCTION), (wander.offset, wander.slope, wander.junction), claimed_by, strict=True
    ):
        grown[number][number] += gain * days
        grown[CLAIM][number] += gain * min(claimed_days, days) * weight
    mean = (account.mean[OFFSET] + days * account.mean[RATE], *account.mean[1:])
    return Account(mean=mean, covariance=tuple(map(tuple, grown)))


def with_claim(account: Account, h: Vector, *, wandered: float) -> Account:
    """Copy the error of a reading into the state; `wandered`: the variance that it has by wandering since."""
    shared = covariances(account, h)
    whole = sum(a * b for a, b in zip(h, shared, strict=True)) + wandered
    mean = (*account.mean[:CLAIM], expected(account, h), *account.mean[CLAIM + 1 :])
    rows = [list(row) for row in account.covariance]
    for number, each in enumerate(shared):
        rows[max(number, CLAIM)][min(number, CLAIM)] = each
    rows[CLAIM][CLAIM] = whole
    return Account(mean=mean, covariance=tuple(map(tuple, rows)))


def widened(account: Account, number: int, *, by: float) -> Account:
    """Return the account with a number more doubtful by a variance."""
    row = account.covariance[number]
    wide = (*row[:number], row[number] + by)
    return replace(account, covariance=(*account.covariance[:number], wide, *account.covariance[number + 1 :]))


def without(account: Account, numbers: Iterable[int]) -> Account:
    """Return the account with some numbers left out."""
    left_out = set(numbers)
    kept = [number for number in range(len(account.mean)) if number not in left_out]
    return rearranged(account, kept)


def joined(account: Account, other: Account) -> Account:
    """Return both as one account; nothing is common to them."""
    size = len(account.mean)
    return Account(
        mean=(*account.mean, *other.mean),
        covariance=(*account.covariance, *((*(0.0,) * size, *row) for row in other.covariance)),
    )


def rearranged(account: Account, order: Sequence[int]) -> Account:
    """Return the account with these of its numbers, in this order."""
    return Account(
        mean=tuple(account.mean[number] for number in order),
        covariance=tuple(
            tuple(covariance(account, one, other) for other in order[: place + 1]) for place, one in enumerate(order)
        ),
    )
