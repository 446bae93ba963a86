"""What somebody does with the probe while a run is served: words in, a state out.

    dip PH [CELSIUS]   the probe stands in a buffer of that pH, at CELSIUS or as warm as the buffers are (25)
    vat                it stands in the vat again
    crack, whole       the bulb is cracked (40 % of the Nernst slope), or whole again
    restless, calm     the potential never settles, or is calm again
    cold CELSIUS       the buffers are that warm from now on, also the one it stands in

Law: pure. Without a word nothing changes; after one, what is read depends on the run, the seed, the words with their
seconds, and the second alone. Bulb and thermometer follow each move by their own first-order response.
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
ROOM_C = 25.0
_PH, _CELSIUS = (0.0, 14.0), (-5.0, 95.0)


class WordError(ValueError):
    """A line that is no word of ours; the message says what would be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Glass:
    """A buffer that the probe stands in."""

    ph: float
    temperature_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What bulb and thermometer see at a second of run time."""

    second: int
    ph: float
    temperature_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Operator:
    """Where the probe stands, what it saw when it was moved there, and what became of it."""

    glass: Glass | None = None
    """None: it stands in the vat."""
    moved: Seen | None = None
    """Just before the last move; None: it was never moved."""
    buffers_c: float = ROOM_C
    is_cracked: bool = False
    is_restless: bool = False

    def cell(self, electrode: Electrode) -> Electrode:
        """Return the electrode as it is now."""
        return replace(electrode, slope=CRACKED_SLOPE) if self.is_cracked else electrode

    def ph(self, second: Ints, vat: Callable[[Ints], Floats], *, tau_s: float) -> Floats:
        """Return the pH at the membrane; `vat` gives it for a probe that was always in the vat."""
        return self._followed(second, vat, "ph", tau_s=tau_s)

    def bulb_c(self, second: Ints, vat: Callable[[Ints], Floats]) -> Floats:
        """Return the temperature at the bulb in C."""
        return self._followed(second, vat, "temperature_c", tau_s=THERMAL_TAU_S)

    def _followed(self, second: Ints, vat: Callable[[Ints], Floats], name: str, *, tau_s: float) -> Floats:
        def target(at: Ints) -> Floats:
            return vat(at) if self.glass is None else np.full(at.shape, getattr(self.glass, name))

        if self.moved is None:
            return target(second)
        step = getattr(self.moved, name) - target(np.array([self.moved.second]))[0]
        since = np.maximum(second - self.moved.second, 0)
        return np.asarray(target(second) + step * np.exp(-since / tau_s))


def obey(hand: Operator, line: str, seen: Seen) -> Operator:
    """Return the hand after a line of words; `seen`: what is seen at this second. Raises WordError."""
    word, *numbers = line.split()
    if word not in _WORDS:
        raise WordError(f"{word!r} is no word; there are: {', '.join(_WORDS)}")
    least, most, apply = _WORDS[word]
    if not least <= len(numbers) <= most:
        wanted = {
            (0, 0): "no number",
            (1, 1): "one number (C)",
            (1, 2): "a pH, and a temperature (C) if you like, such as: dip 4.01 20",
        }
        raise WordError(f"{word} wants {wanted[least, most]}")
    return apply(hand, [_number(text) for text in numbers], seen)


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise WordError(f"{text!r} is no number")
    return value


def _dip(hand: Operator, numbers: Sequence[float], seen: Seen) -> Operator:
    ph, celsius = numbers[0], numbers[1] if len(numbers) > 1 else hand.buffers_c
    _check(ph, _PH, "pH")
    _check(celsius, _CELSIUS, "C")
    return replace(hand, glass=Glass(ph=ph, temperature_c=celsius), moved=seen)


def _cold(hand: Operator, numbers: Sequence[float], seen: Seen) -> Operator:
    (celsius,) = numbers
    _check(celsius, _CELSIUS, "C")
    hand = replace(hand, buffers_c=celsius)
    return hand if hand.glass is None else replace(hand, glass=replace(hand.glass, temperature_c=celsius), moved=seen)


def _check(value: float, limits: tuple[float, float], unit: str) -> None:
    low, high = limits
    if not low <= value <= high:
        raise WordError(f"{value:g} is not from {low:g} to {high:g} {unit}")


_WORDS: Mapping[str, tuple[int, int, Callable[[Operator, Sequence[float], Seen], Operator]]] = MappingProxyType(
    {
        "dip": (1, 2, _dip),
        "vat": (0, 0, lambda hand, _, seen: replace(hand, glass=None, moved=seen)),
        "crack": (0, 0, lambda hand, *_: replace(hand, is_cracked=True)),
        "whole": (0, 0, lambda hand, *_: replace(hand, is_cracked=False)),
        "restless": (0, 0, lambda hand, *_: replace(hand, is_restless=True)),
        "calm": (0, 0, lambda hand, *_: replace(hand, is_restless=False)),
        "cold": (1, 1, _cold),
    }
)
"""Each word: how many numbers at least and at most, and what it does."""
