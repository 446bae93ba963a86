"""Define the faults of a run and when each is active."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Fault(StrEnum):
    """Kinds of fault. The first five are the probe's, the next three the instrument's, the last three the wire's."""

    STIRRED = "stirred"
    """Spikes of some tenths of pH while somebody stirs."""
    OUT_OF_LIQUID = "out of the liquid"
    """The probe hangs in air under a wet film: pH wanders, temperature follows the room."""
    KNOCKED = "knocked"
    """Jumps of several pH; calibrating would not cure it."""
    FROZEN = "frozen"
    """Potential and temperature repeat to the bit."""
    FROZEN_POTENTIAL = "potential frozen"
    """The potential repeats to the bit while the temperature goes on."""
    OVERRANGE = "overrange"
    """The potential is beyond the converter: 9.9E37."""
    NO_TEMPERATURE = "no temperature"
    """The thermometer is broken: 9.91E37."""
    HARDWARE_ERROR = "hardware error"
    """Measuring gives no reply and queues -240."""
    UNPLUGGED = "unplugged"
    """The port goes away, and comes back."""
    GARBLED = "garbled"
    """Replies arrive with flipped bits."""
    SLOW = "slow"
    """Replies arrive after more real seconds than a poll waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultPeriod:
    """A fault from `start_h` to `end_h` in run hours (end excluded)."""

    fault: Fault
    start_h: float
    end_h: float = np.inf


def is_active(events: Iterable[FaultPeriod], fault: Fault, second: ArrayLike) -> NDArray[np.bool_]:
    """Tell at which seconds of run time the fault is active."""
    t = np.asarray(second, dtype=np.float64)
    spans = [(e.start_h * 3600.0, e.end_h * 3600.0) for e in events if e.fault is fault]
    active = np.any([(start <= t) & (t < end) for start, end in spans] or [np.zeros(t.shape, bool)], axis=0)
    return np.asarray(active, dtype=np.bool_)


def frozen_second(events: Iterable[FaultPeriod], faults: Iterable[Fault], second: Ints) -> Ints:
    """Return the second whose conversion is shown: the last before a freeze while that is active, else itself."""
    out = second
    for event in events:
        if event.fault in faults:
            frozen = is_active([event], event.fault, second)
            out = np.where(frozen, np.int64(np.ceil(event.start_h * 3600.0)) - 1, out)
    return out
