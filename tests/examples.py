"""How many examples hypothesis tries, and which: always the same ones, or with `--hypothesis-profile=random` new ones.

A test with a number of its own writes `examples(number)`, so that the random profile tries ten times as many there too.
A test that waits in real time writes the bare number.
"""

from hypothesis import HealthCheck, settings

COMMON = settings(deadline=None, database=None, suppress_health_check=[HealthCheck.too_slow])
"""A busy machine fails no test; what was found is not kept in a file, since the seed finds it again."""
USUAL = 100
settings.register_profile("same", COMMON, max_examples=USUAL, derandomize=True)
settings.register_profile("random", COMMON, max_examples=10 * USUAL, derandomize=False, print_blob=True)


def examples(number: int) -> int:
    """Return how many examples the profile in force tries where `number` are usual."""
    return number * settings().max_examples // USUAL
