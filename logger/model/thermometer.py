"""What is carried of a thermometer, and what a reading says that is its own fault."""

from logger.structs import Struct

UNCONNECTED_C = (85.0, 0.0, -127.0)
"""What thermometers show that are not connected, or were just switched on. From memory."""
LOWEST_C, HIGHEST_C = -5.0, 60.0
"""No vat is colder or warmer."""


class ThermometerState(Struct, frozen=True, kw_only=True):
    """What was read of the thermometer; see `measure/thermometer.py`."""

    good_c: float | None = None
    """The newest temperature that a vat can have; None: there was none yet."""
    good_us: int = 0
    """Watch time of it."""
    odd_c: float | None = None
    """The newest reading, if it was strange."""
    is_step: bool = False
    """It is strange by its distance from the last good one alone."""
    same: int = 0
    """So many strange readings in a row, up to it, lie near each other."""
    score: int = 0
    """Rises with a strange reading, falls with a good one."""
    is_faulty: bool = False
    """The thermometer is named as the cause."""


def fault_words(celsius: float) -> str:
    """Say what a strange reading shows, and what to look at."""
    reads = f"the thermometer reads {celsius:.1f} C"
    if celsius in UNCONNECTED_C:
        return f"{reads}, a value that it shows when it is not connected: look at its plug"
    if not LOWEST_C <= celsius <= HIGHEST_C:
        return f"{reads}, which no vat has: look at its plug and its unit"
    return f"{reads}, which cannot follow from what it read before: look at its plug and its unit"
