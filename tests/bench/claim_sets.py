"""The vats of the bench of claims: two sets, four families each. Data, and how a vat is drawn of it.

Law: `TUNING` is for whoever chooses rules and limits; `JUDGED` is looked at once, with the last version. They share no
seed and no shape: the vats of the one ferment in the simulator, those of the other follow drawn curves. A vat is the
same whichever others are run. Sizes and shapes are common practice, no source.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.structs import replace
from simulator.noise import Noise
from simulator.runs import STARTER, WILD
from simulator.vat import Room, Vat, acid_for, course, draw_vat

Floats = NDArray[np.float64]
Rng = np.random.Generator

HOURS = 168.0
LIMIT_PH = 4.6
STEP_S = 900.0
"""So coarse is the fermentation integrated: the course is the truth by definition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The true pH and temperature (C) of a vat, by hours since its filling."""

    hours: Floats
    ph: Floats
    celsius: Floats


Family = Callable[[Rng], Course]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimSet:
    """A set of vats; `key`: what all its seeds begin with."""

    name: str
    key: int
    families: Mapping[str, Family]

    def family_of(self, number: int) -> str:
        """Return the family of a vat; they take turns."""
        return list(self.families)[number % len(self.families)]

    def course(self, number: int) -> Course:
        """Return the course of a vat."""
        return self.families[self.family_of(number)](self.rng(number, 0))

    def rng(self, number: int, use: int) -> Rng:
        """Return the random numbers of a vat for one use: 0 its course, 1 its equipment, 2 its person."""
        return np.random.default_rng([self.key, number, use])


def _fermented(vat: Vat, room: Room, *, dilutions: Mapping[float, float] | None = None) -> Course:
    """Let a vat ferment in the simulator; it is filled at ten."""
    out = course(vat, room, hours=HOURS, start_hour=10.0, step_s=STEP_S, dilutions=dilutions)
    return Course(hours=out.hours, ph=out.ph, celsius=out.temperature_c)


def _drawn_vat(base: Vat, rng: Rng, *, ends_ph: tuple[float, float] = (3.7, 4.55)) -> Vat:
    """Return a healthy vat whose sugar lasts down to some pH."""
    vat = draw_vat(base, Noise(int(rng.integers(1, 2**31))))
    return replace(vat, sugar_mm=float(acid_for(vat, rng.uniform(*ends_ph))))


def _room(rng: Rng, low_c: float = 11.0, high_c: float = 24.0) -> Room:
    return Room(mean_c=float(rng.uniform(low_c, high_c)), swing_c=float(rng.uniform(0.0, 2.0)))


def wild(rng: Rng) -> Course:
    return _fermented(_drawn_vat(WILD, rng), _room(rng))


def with_starter(rng: Rng) -> Course:
    return _fermented(_drawn_vat(STARTER, rng), _room(rng))


def cucumbers(rng: Rng) -> Course:
    """Let cucumbers ferment in strong brine, warm."""
    early = replace(STARTER.early, log10_cfu_ml=5.8)
    return _fermented(_drawn_vat(replace(STARTER, early=early, salt_percent=5.5), rng), _room(rng, 14.0, 26.0))


def troubled(rng: Rng) -> Course:
    """Let a vat stop near the limit, sour again less, be cold, or be topped up as it nears the limit."""
    trouble = rng.choice(["stops", "mould", "cold", "topped-up"])
    if trouble == "stops":
        return _fermented(_drawn_vat(STARTER, rng, ends_ph=(4.4, 4.85)), _room(rng))
    if trouble == "mould":
        cover, eaten = float(10.0 ** rng.uniform(-4.0, -2.0)), float(rng.uniform(1.0, 4.0))
        return _fermented(replace(_drawn_vat(STARTER, rng), film_cover=cover, film_mm_h=eaten), _room(rng))
    if trouble == "cold":
        return _fermented(_drawn_vat(STARTER, rng), _room(rng, 8.0, 14.0))
    hours = {float(rng.uniform(20.0, 80.0)): float(rng.uniform(0.03, 0.15))}
    return _fermented(_drawn_vat(STARTER, rng), _room(rng), dilutions=hours)


def _curve(rng: Rng, fallen: Callable[[Floats], Floats], *, end_ph: float, extra: Floats | float = 0.0) -> Course:
    """Return a course by the part of its fall that is done, in a room of any kind."""
    hours = np.arange(0.0, HOURS + 0.25, 0.25)
    start_ph = rng.uniform(5.6, 6.3)
    part = fallen(hours)
    mean_c, swing_c, trend_c = rng.uniform(10.0, 27.0), rng.uniform(0.0, 2.5), rng.uniform(-4.0, 4.0)
    warm = mean_c + swing_c * np.sin(2 * np.pi * (hours / 24.0 + rng.uniform())) + trend_c * hours / HOURS
    return Course(hours=hours, ph=start_ph + (end_ph - start_ph) * part + extra, celsius=warm)


def _hill(hours: Floats, half_h: float, power: float) -> Floats:
    return np.asarray(1.0 / (1.0 + (half_h / np.maximum(hours, 1e-6)) ** power))


def quick(rng: Rng) -> Course:
    half_h, power = rng.uniform(10.0, 36.0), rng.uniform(2.5, 5.0)
    return _curve(rng, lambda hours: _hill(hours, half_h, power), end_ph=rng.uniform(3.4, 4.0))


def slow(rng: Rng) -> Course:
    """Fall as Gompertz's curve does: late to begin, and a long tail."""
    middle_h, width_h = rng.uniform(25.0, 75.0), rng.uniform(10.0, 35.0)
    return _curve(
        rng, lambda hours: np.asarray(np.exp(-np.exp((middle_h - hours) / width_h))), end_ph=rng.uniform(3.5, 4.15)
    )


def in_two_steps(rng: Rng) -> Course:
    """Fall, rest near the limit, and fall again."""
    first_h, second_h, share = rng.uniform(12.0, 30.0), rng.uniform(60.0, 110.0), rng.uniform(0.5, 0.7)
    power = rng.uniform(3.0, 6.0)

    def fallen(hours: Floats) -> Floats:
        return share * _hill(hours, first_h, power) + (1.0 - share) * _hill(hours, second_h, 2.0 * power)

    return _curve(rng, fallen, end_ph=rng.uniform(3.5, 3.9))


def restless(rng: Rng) -> Course:
    """Stand near the limit with a daily wave, rise from below it, or step up by a top-up and fall again."""
    hours = np.arange(0.0, HOURS + 0.25, 0.25)
    half_h, power = rng.uniform(12.0, 45.0), rng.uniform(2.5, 5.0)
    trouble, at_h = rng.choice(["waves", "rises", "steps"]), rng.uniform(30.0, 120.0)
    if trouble == "waves":
        extra = rng.uniform(0.0, 0.03) * np.sin(2 * np.pi * (hours / 24.0 + rng.uniform()))
        end_ph = rng.uniform(4.4, 4.8)
    elif trouble == "rises":
        extra = rng.uniform(0.003, 0.03) * np.maximum(hours - at_h, 0.0)
        end_ph = rng.uniform(4.1, 4.55)
    else:
        extra = np.where(hours > at_h, rng.uniform(0.05, 0.25) * np.exp(-(hours - at_h) / rng.uniform(5.0, 30.0)), 0.0)
        end_ph = rng.uniform(3.9, 4.5)
    return _curve(rng, lambda when: _hill(when, half_h, power), end_ph=end_ph, extra=extra)


TUNING = ClaimSet(
    name="tuning",
    key=11,
    families={"wild": wild, "starter": with_starter, "cucumbers": cucumbers, "troubled": troubled},
)
JUDGED = ClaimSet(
    name="judged",
    key=47_000,
    families={"quick": quick, "slow": slow, "in-two-steps": in_two_steps, "restless": restless},
)
SETS = {each.name: each for each in (TUNING, JUDGED)}
