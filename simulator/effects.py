"""Define a named fault or disturbance: a row of data, and small pure functions that change one signal of the chain.

The chain runs from the liquid to the reply: temperature at the bulb and pH at the membrane, potential of the cell and
signal of the thermometer, what the converter holds of both. A function gets the signal as it would be without it.

Law: before its first second an effect changes nothing, to the bit. What it changes depends on the seed and the second
of run time alone, so polls of any pace see the same.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import Enum, auto

import numpy as np

from simulator.electrode import Electrode
from simulator.faults import FaultPeriod, Floats, Ints
from simulator.interventions import Intervention
from simulator.noise import Noise
from simulator.vat import first_order_lag

Signal = Callable[[Ints], Floats]
"""Values at whole seconds of run time."""


class Stage(Enum):
    """Where in the chain a function changes a signal."""

    BULB_C = auto()
    """Temperature at bulb and thermometer."""
    MEMBRANE_PH = auto()
    POTENTIAL_MV = auto()
    """Of the cell, as it reaches the converter."""
    THERMOMETER_C = auto()
    """What the thermometer makes of the bulb's temperature, as it reaches the converter."""
    SHOWN_C = auto()
    SHOWN_MV = auto()
    """What the converter holds, in its steps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What a function may look at. `room_c`, `bulb_c` and `shown_c` (the temperature indicated) are signals."""

    size: float
    start_s: int
    noise: Noise
    electrode: Electrode
    room_c: Signal
    bulb_c: Signal
    shown_c: Signal

    def hours(self, second: Ints) -> Floats:
        """Return the hours since the effect began; 0 before."""
        return np.asarray(np.maximum(second - self.start_s, 0) / 3600.0)

    def at_start(self, signal: Signal) -> float:
        """Return what a signal was when the effect began."""
        return float(signal(np.array([self.start_s]))[0])


Function = Callable[[Scene, Signal, Ints], Floats]
"""Returns the signal that stands while the effect does; its second argument is the signal without it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One function at one stage; it comes in, and goes, as a first-order response."""

    stage: Stage
    function: Function
    tau_s: float | None = 0.0
    """0: at once; None: as fast as the membrane answers."""
    back_s: float | None = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowFollowing:
    """The membrane sees the vat's pH, and `rise_ph` above it, through a first-order lag of `tau_h`."""

    tau_h: float
    rise_ph: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """One named fault or disturbance: `summary` is its line in the list."""

    name: str
    summary: str
    unit: str = ""
    """Of its size; empty: it takes none."""
    sizes: tuple[float, ...] = (0.0,)
    """Those worth trying; the first stands where none is given."""
    least: float = 0.0
    most: float = 0.0
    start_h: float = 3.0
    """Run hour at which it begins unless its caller says otherwise."""
    lasts_h: float = np.inf
    moves_ph: bool = False
    """The vat's own pH changes with it."""
    changes: tuple[Change, ...] = ()
    following: Callable[[float], SlowFollowing] | None = None
    """By the size."""
    period: Callable[[float, float], FaultPeriod] | None = None
    """The fault of `simulator.faults` that it is, or brings with it, by its two hours."""
    intervention: Callable[[float, float, float], Intervention] | None = None
    """What is done to the vat, by the size and the two hours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """An effect from `start_h` to `end_h` in run hours (end excluded)."""

    effect: Effect
    start_h: float
    end_h: float
    size: float

    @property
    def periods(self) -> tuple[FaultPeriod, ...]:
        """Return the fault that it is or brings with it, as a tuple of none or one."""
        return (self.effect.period(self.start_h, self.end_h),) if self.effect.period else ()

    @property
    def interventions(self) -> tuple[Intervention, ...]:
        """Return what is done to the vat, as a tuple of none or one."""
        make = self.effect.intervention
        return (make(self.size, self.start_h, self.end_h),) if make else ()


def changed_signal(plain: Signal, stage: Stage, occurrences: Iterable[Occurrence], *, scene: Scene) -> Signal:
    """Return a signal as the occurrences change it at this stage, in their order."""
    signal = plain
    for one in occurrences:
        here = replace(scene, size=one.size, start_s=int(np.ceil(one.start_h * 3600.0)))
        for change in one.effect.changes:
            if change.stage is stage:
                signal = _with_change(signal, change, here, end_s=one.end_h * 3600.0)
    return signal


def _with_change(before: Signal, change: Change, scene: Scene, *, end_s: float) -> Signal:
    own = scene.electrode.tau_s
    tau_s, back_s = (own if tau is None else tau for tau in (change.tau_s, change.back_s))

    def signal(second: Ints) -> Floats:
        plain = before(second)
        part = weight(second, scene.start_s, end_s, tau_s=tau_s, back_s=back_s)
        if not part.any():
            return plain
        other = change.function(scene, before, second)
        return np.where(part == 0.0, plain, np.where(part == 1.0, other, plain + part * (other - plain)))

    return signal


def weight(second: Ints, start_s: float, end_s: float, *, tau_s: float, back_s: float) -> Floats:
    """Return how much of an effect is there, 0 to 1: its own first-order response in, another out; 0 s: at once."""
    t = np.asarray(second, dtype=np.float64)
    inside, after = np.clip(t, start_s, end_s) - start_s, np.maximum(t - end_s, 0.0)
    rise = -np.expm1(-inside / tau_s) if tau_s else np.where(t >= start_s, 1.0, 0.0)
    fall = np.exp(-after / back_s) if back_s else np.where(t < end_s, 1.0, 0.0)
    return np.asarray(rise * fall)


def followed_ph(ph: Floats, hours: Floats, occurrences: Iterable[Occurrence]) -> Floats:
    """Return the pH at the membrane, on the grid of `hours`, where something keeps it from following at once."""
    for one in (each for each in occurrences if each.effect.following):
        inside = np.flatnonzero((one.start_h <= hours) & (hours < one.end_h))
        if inside.size > 1 and one.effect.following:
            slow = one.effect.following(one.size)
            start = float(ph[inside[0]])
            step_h = float(hours[1] - hours[0])
            lagged = first_order_lag(ph[inside] + slow.rise_ph, step_h, tau=slow.tau_h, start=start)
            ph = np.concatenate([ph[: inside[0]], lagged, ph[inside[-1] + 1 :]])
    return ph
