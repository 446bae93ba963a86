"""Compute the probability that a quantity is within its limit (JCGM 106:2012; rules: ILAC-G8:09/2019).

What is known of the quantity is a normal distribution about the measured value y with the standard uncertainty u (7.2).
"At or below the limit with probability p" is said only where y + z(p) u is at or below it: the guard band is z u, one
side (8.3.2). So k = 2 on one side is 97.7 %, not 95 %.

Law: pure and in scalars, for what is said to a person a few times a day; no number here is better than u.
"""

from math import inf, isfinite
from statistics import NormalDist

_STANDARD = NormalDist()


def coverage_factor(probability: float) -> float:
    """Return z, one-sided: 1.645 for 0.95. Raises ValueError unless 0 < probability < 1."""
    if not 0.0 < probability < 1.0:
        raise ValueError(f"a probability between 0 and 1 is wanted, not {probability}")
    return _STANDARD.inv_cdf(probability)


def acceptance_limit(limit: float, u: float, probability: float) -> float:
    """Return the largest y of which it can be said that the quantity is at or below the limit."""
    return limit - coverage_factor(probability) * u


def conformance_probability(y: float, u: float, *, low: float = -inf, high: float = inf) -> float:
    """Return the probability that the quantity lies between two limits (JCGM 106:2012, 7.4)."""
    return _below(high, y, u) - _below(low, y, u)


def _below(limit: float, y: float, u: float) -> float:
    if not isfinite(limit) or u <= 0.0:
        return 1.0 if y <= limit else 0.0
    return _STANDARD.cdf((limit - y) / u)
