"""Wait in real time for what a real part does."""

import time
from collections.abc import Callable


def wait_until(condition: Callable[[], bool], within_s: float, complaint: Callable[[], str] = lambda: "") -> None:
    """Wait until the condition holds; fail with the complaint when it does not within so many seconds."""
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, f"waited {within_s} s: {complaint()}"
        time.sleep(0.01)
