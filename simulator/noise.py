"""Counter-based random numbers: a function of seed, stream and index (Philox).

Law: whether, when and how often other numbers were drawn changes nothing, so a live run and a recording of the same run
agree.
"""

from enum import IntEnum
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_BLOCK = 4096
_WORD = 2**64
_STANDARD = NormalDist()


class Stream(IntEnum):
    """Independent streams, one for each use."""

    POTENTIAL = 1
    WANDER = 2
    THERMOMETER = 3
    STIRRING = 4
    FILM = 5
    FILM_WANDER = 6
    DRAUGHT = 7
    KNOCK = 8
    WIRE = 9
    BUFFERS = 10
    VAT = 11
    RESTLESS = 12
    AIR = 13
    RINSE = 14
    CRACK = 15
    JUNCTION = 16
    TOGGLE = 17
    CONTACT = 18
    THERMOMETER_JUMP = 19
    PLUME = 20
    THERMOMETER_NOISE = 21
    STIRRER = 22
    MAINS = 23
    CUSHION = 24


class Noise:
    """Standard normal numbers of one seed, and even ones."""

    def __init__(self, seed: int) -> None:
        """Keep the seed, 0 to 2**64 - 1."""
        self._seed = seed
        self._cached = lru_cache(maxsize=64)(self._block)

    def _block(self, stream: Stream, number: int) -> Floats:
        counter = np.array(
            [0, 0, 0, number % _WORD], dtype=np.uint64
        )  # blocks never overlap: the high word counts them
        key = np.array([self._seed, stream], dtype=np.uint64)
        return np.random.Generator(np.random.Philox(key=key, counter=counter)).standard_normal(_BLOCK)

    def normal(self, stream: Stream, index: Ints) -> Floats:
        """Return the numbers of a stream at these whole indices (any order, negative too)."""
        blocks, places = np.divmod(index, _BLOCK)
        out = np.empty(index.shape)
        for number in np.unique(blocks).tolist():
            chosen = blocks == number
            out[chosen] = self._cached(stream, number)[places[chosen]]
        return out

    def uniform(self, stream: Stream, index: Ints) -> Floats:
        """Return numbers spread evenly from 0 to 1: the normal ones of the stream through their own distribution."""
        once, place = np.unique(index, return_inverse=True)
        even = [_STANDARD.cdf(value) for value in self.normal(stream, once).tolist()]
        return np.array(even)[place].reshape(index.shape)

    def wander(self, stream: Stream, second: Ints, *, period_s: int) -> Floats:
        """Return a smooth curve through one normal number every `period_s`."""
        knot, rest = np.divmod(second, period_s)
        part = rest / period_s
        ease = part * part * (3.0 - 2.0 * part)
        return np.asarray((1.0 - ease) * self.normal(stream, knot) + ease * self.normal(stream, knot + 1))

    def piecewise_constant(self, stream: Stream, second: Ints, *, period_s: int) -> Floats:
        """Return a normal number that is constant for `period_s`, then changes at once."""
        return self.normal(stream, np.floor_divide(second, period_s))
