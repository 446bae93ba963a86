"""How many replies the mass tests try: a hundred thousand where CI runs them, a million as a bench."""

import pytest

REPLIES = pytest.mark.parametrize(
    "replies",
    [
        pytest.param(100_000, marks=[pytest.mark.slow, pytest.mark.timeout(600)]),
        pytest.param(1_000_000, marks=[pytest.mark.bench, pytest.mark.timeout(3600)]),
    ],
)
