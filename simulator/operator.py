"""Execute what the operator does with the probe while a run is served: lines from standard input in, a state out.

    dip PH [CELSIUS]   the probe is put into a buffer of that pH, at CELSIUS or the temperature of the buffers (25)
    vat                it is put back into the vat
    crack, whole       the bulb is cracked (40 % of the Nernst slope), or whole again
    restless, calm     the potential never settles, or is calm again
    cold CELSIUS       the buffers have that temperature from now on, also the one it is in

Law: pure. What is read depends on the run, the seed, the commands with their seconds, and the second alone. Bulb and
thermometer follow each move by their own first-order response.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from simulator.electrode import Electrode
from simulator.faults import Floats, Ints

CRACKED_SLOPE = 0.40
RESTLESS_MV = 6.0
RESTLESS_PERIOD_S = 37
THERMAL_TAU_S = 10.0
"""Metal and glass in a stirred liquid. Common practice, no source."""
BUFFERS_C = 25.0
_PH, _CELSIUS = (0.0, 14.0), (-5.0, 95.0)


class OperatorCommandError(ValueError):
    """A line that is no valid command; the message says what would be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BufferBath:
    """The buffer that the probe is in."""

    ph: float
    temperature_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SensedValues:
    """pH at the membrane and temperature at the bulb at a second of run time."""

    second: int
    ph: float
    temperature_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorState:
    """Where the probe is, what it sensed when it was moved there, and its condition."""

    bath: BufferBath | None = None
    """None: it is in the vat."""
    moved: SensedValues | None = None
    """Just before the last move; None: it was never moved."""
    buffers_c: float = BUFFERS_C
    is_cracked: bool = False
    is_restless: bool = False

    def current_electrode(self, electrode: Electrode) -> Electrode:
        """Return the electrode as it is now."""
        return replace(electrode, slope=CRACKED_SLOPE) if self.is_cracked else electrode

    def ph(self, second: Ints, vat: Callable[[Ints], Floats], *, tau_s: float) -> Floats:
        """Return the pH at the membrane; `vat` gives it for a probe that was always in the vat."""
        return self._first_order_response(second, vat, "ph", tau_s=tau_s)

    def bulb_c(self, second: Ints, vat: Callable[[Ints], Floats]) -> Floats:
        """Return the temperature at the bulb in C."""
        return self._first_order_response(second, vat, "temperature_c", tau_s=THERMAL_TAU_S)

    def _first_order_response(self, second: Ints, vat: Callable[[Ints], Floats], name: str, *, tau_s: float) -> Floats:
        def target(at: Ints) -> Floats:
            return vat(at) if self.bath is None else np.full(at.shape, getattr(self.bath, name))

        if self.moved is None:
            return target(second)
        step = getattr(self.moved, name) - target(np.array([self.moved.second]))[0]
        since = np.maximum(second - self.moved.second, 0)
        return np.asarray(target(second) + step * np.exp(-since / tau_s))


def execute(state: OperatorState, line: str, sensed: SensedValues) -> OperatorState:
    """Return the state after one line; `sensed`: the values at this second. Raises OperatorCommandError."""
    word, *numbers = line.split()
    if word not in _COMMANDS:
        raise OperatorCommandError(f"{word!r} is no word; there are: {', '.join(_COMMANDS)}")
    least, most, apply = _COMMANDS[word]
    if not least <= len(numbers) <= most:
        wanted = {
            (0, 0): "no number",
            (1, 1): "one number (C)",
            (1, 2): "a pH, and a temperature (C) if you like, such as: dip 4.01 20",
        }
        raise OperatorCommandError(f"{word} wants {wanted[least, most]}")
    return apply(state, [_number(text) for text in numbers], sensed)


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise OperatorCommandError(f"{text!r} is no number")
    return value


def _dip(state: OperatorState, numbers: Sequence[float], sensed: SensedValues) -> OperatorState:
    ph, celsius = numbers[0], numbers[1] if len(numbers) > 1 else state.buffers_c
    _check(ph, _PH, "pH")
    _check(celsius, _CELSIUS, "C")
    return replace(state, bath=BufferBath(ph=ph, temperature_c=celsius), moved=sensed)


def _cold(state: OperatorState, numbers: Sequence[float], sensed: SensedValues) -> OperatorState:
    (celsius,) = numbers
    _check(celsius, _CELSIUS, "C")
    state = replace(state, buffers_c=celsius)
    return (
        state if state.bath is None else replace(state, bath=replace(state.bath, temperature_c=celsius), moved=sensed)
    )


def _check(value: float, limits: tuple[float, float], unit: str) -> None:
    low, high = limits
    if not low <= value <= high:
        raise OperatorCommandError(f"{value:g} is not from {low:g} to {high:g} {unit}")


_Execute = Callable[[OperatorState, Sequence[float], SensedValues], OperatorState]
_COMMANDS: Mapping[str, tuple[int, int, _Execute]] = MappingProxyType(
    {
        "dip": (1, 2, _dip),
        "vat": (0, 0, lambda state, _, sensed: replace(state, bath=None, moved=sensed)),
        "crack": (0, 0, lambda state, *_: replace(state, is_cracked=True)),
        "whole": (0, 0, lambda state, *_: replace(state, is_cracked=False)),
        "restless": (0, 0, lambda state, *_: replace(state, is_restless=True)),
        "calm": (0, 0, lambda state, *_: replace(state, is_restless=False)),
        "cold": (1, 1, _cold),
    }
)
"""By command: fewest and most numbers, and the function that executes it."""
