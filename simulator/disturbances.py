"""Define the named disturbances: what happens to a healthy vat, probe and instrument, and must be borne.

Sizes and times are common practice and a trial on simulated vats, no source, unless one is named. The vat's own pH
changes only where `moves_ph` says so.
"""

from collections.abc import Callable
from functools import partial

import numpy as np

from simulator.effects import Change, Effect, Scene, Signal, Stage
from simulator.electrode import ISOPOTENTIAL_PH, nernst_slope_mv
from simulator.faults import Fault, FaultPeriod, Floats, Ints
from simulator.interventions import Intervention
from simulator.noise import Stream

PUMP_EVERY_S, PUMP_ON_S = 1200, 300
MAINS_ALIAS_HZ, MAINS_STRAYS, MAINS_KNOT_S = 0.017, 6.0, 300
"""One conversion a second sees the mains as a slow swing: by how far its frequency is from a whole number, and some
turns more or less in some minutes, as it strays."""
PLUME_KNOT_S = 480
CUSHION_SLOT_S = 2400
"""In half of the stretches of this length one cushion of gas lies on the bulb."""
CUSHION_LEAST_S, CUSHION_MOST_S = 300.0, 1200.0
CUSHION_EDGE_S = 60.0
STIRRING_H = 0.1
LAYERS_TAU_H = 6.0
"""Stirred brine lies in layers again after this time."""
COLD_BRINE_C = 16.0
"""Brine from a refrigerator is so much colder than the vat."""
SPILL_H = 20.0 / 60.0


def _cycling(scene: Scene, before: Signal, second: Ints, *, period_s: int) -> Floats:
    return before(second) + scene.size * np.sin(2.0 * np.pi * (second - scene.start_s) / period_s)


def _plumes(scene: Scene, before: Signal, second: Ints) -> Floats:
    rising = scene.noise.wander(Stream.PLUME, second, period_s=PLUME_KNOT_S)
    return before(second) + scene.size * np.clip(rising, 0.0, 1.0)


def _in_steps(scene: Scene, before: Signal, second: Ints) -> Floats:
    steps = round(1.0 / scene.size, 9)
    return np.asarray(np.rint(before(second) * steps) / steps)


def _in_steps_of_ph(scene: Scene, before: Signal, second: Ints) -> Floats:
    """Return the potential that stands for the pH on a coarse display, at the temperature that it shows."""
    span = nernst_slope_mv(scene.shown_c(second))
    steps = round(1.0 / scene.size, 9)
    ph = np.rint((ISOPOTENTIAL_PH - before(second) / span) * steps) / steps
    return (ISOPOTENTIAL_PH - ph) * span


def _noisy(scene: Scene, before: Signal, second: Ints, *, stream: Stream) -> Floats:
    return before(second) + scene.size * scene.noise.normal(stream, second)


def _pumped(scene: Scene, before: Signal, second: Ints) -> Floats:
    on = np.mod(second - scene.start_s, PUMP_EVERY_S) < PUMP_ON_S
    return before(second) + np.where(on, scene.size * scene.noise.normal(Stream.STIRRER, second), 0.0)


def _hum(scene: Scene, before: Signal, second: Ints) -> Floats:
    turns = MAINS_ALIAS_HZ * second + MAINS_STRAYS * scene.noise.wander(Stream.MAINS, second, period_s=MAINS_KNOT_S)
    return before(second) + scene.size * np.sin(2.0 * np.pi * turns)


def _cushions(scene: Scene, before: Signal, second: Ints) -> Floats:
    slot, t = np.divmod(second, CUSHION_SLOT_S)
    there, begins, lasts, size = (scene.noise.uniform(Stream.CUSHION, 4 * slot + number) for number in range(4))
    length = CUSHION_LEAST_S + (CUSHION_MOST_S - CUSHION_LEAST_S) * lasts
    from_edge = np.minimum(t - begins * (CUSHION_SLOT_S - length), begins * (CUSHION_SLOT_S - length) + length - t)
    lies = np.where(there < 0.5, np.clip(from_edge / CUSHION_EDGE_S, 0.0, 1.0), 0.0)  # noqa: PLR2004 -- half of them
    return before(second) + scene.size * (2.0 * size - 1.0) * lies


def _mixed(scene: Scene, before: Signal, second: Ints) -> Floats:
    hours = scene.hours(second)
    return before(second) + scene.size * np.minimum(hours / STIRRING_H, 1.0) * np.exp(-hours / LAYERS_TAU_H)


def _brought(size: float, start_h: float, end_h: float) -> Intervention:
    return Intervention(start_h=start_h, end_h=end_h, target_c=size)


def _topped_up(size: float, start_h: float, _end_h: float) -> Intervention:
    return Intervention(start_h=start_h, drop_c=size, part=size / COLD_BRINE_C)


def _spilt(size: float, start_h: float, end_h: float, *, sign: int) -> Intervention:
    return Intervention(start_h=start_h, end_h=end_h, ph_per_h=sign * size / (end_h - start_h))


def _eaten(size: float, start_h: float, end_h: float) -> Intervention:
    return Intervention(start_h=start_h, end_h=end_h, ph_per_h=size)


def _standing(
    name: str, summary: str, *, unit: str, sizes: tuple[float, ...], most: float, change: Change, least: float = 0.0
) -> Effect:
    """Return what stands from the run's begin on."""
    return Effect(
        name=name, summary=summary, unit=unit, sizes=sizes, least=least, most=most, start_h=0.0, changes=(change,)
    )


def _done(
    name: str,
    summary: str,
    *,
    unit: str,
    sizes: tuple[float, ...],
    most: float,
    intervention: Callable[[float, float, float], Intervention],
    lasts_h: float = np.inf,
) -> Effect:
    """Return what somebody, or mould, does to the vat."""
    return Effect(
        name=name,
        summary=summary,
        unit=unit,
        sizes=sizes,
        most=most,
        moves_ph=True,
        intervention=intervention,
        lasts_h=lasts_h,
    )


_BULB, _MV = Stage.BULB_C, Stage.POTENTIAL_MV
_REFRIGERATOR = (0.5, 0.2, 1.0)

DISTURBANCE_ROWS = (
    *(
        _standing(
            f"refrigerator-{minutes}-min",
            f"a refrigerator cycles every {minutes} min: the brine at the probe swings by +-SIZE",
            unit="C",
            sizes=_REFRIGERATOR,
            most=20.0,
            change=Change(stage=_BULB, function=partial(_cycling, period_s=60 * minutes)),
        )
        for minutes in (20, 60)
    ),
    _standing(
        "warm-plumes",
        "plumes of brine up to SIZE warmer pass the probe for some minutes",
        unit="C",
        sizes=(0.25, 0.5),
        most=20.0,
        change=Change(stage=_BULB, function=_plumes),
    ),
    _standing(
        "thermometer-steps",
        "the thermometer has steps of SIZE",
        unit="C",
        sizes=(0.5, 0.1, 1.0),
        least=0.01,
        most=10.0,
        change=Change(stage=Stage.SHOWN_C, function=_in_steps),
    ),
    _standing(
        "thermometer-noise",
        "the thermometer has a noise of SIZE (one standard deviation)",
        unit="C",
        sizes=(0.2,),
        most=10.0,
        change=Change(stage=Stage.THERMOMETER_C, function=partial(_noisy, stream=Stream.THERMOMETER_NOISE)),
    ),
    _standing(
        "display-mv",
        "the display has steps of SIZE",
        unit="mV",
        sizes=(1.0,),
        least=0.1,
        most=100.0,
        change=Change(stage=Stage.SHOWN_MV, function=_in_steps),
    ),
    _standing(
        "display-ph",
        "the display has steps of SIZE in the pH that the instrument makes itself",
        unit="pH",
        sizes=(0.01, 0.1),
        least=0.001,
        most=1.0,
        change=Change(stage=Stage.SHOWN_MV, function=_in_steps_of_ph),
    ),
    _standing(
        "stirrer-noise",
        "a stirrer runs: a noise of SIZE (one standard deviation)",
        unit="mV",
        sizes=(8.0, 3.0),
        most=100.0,
        change=Change(stage=_MV, function=partial(_noisy, stream=Stream.STIRRER)),
    ),
    _standing(
        "pump-noise",
        "a pump runs 5 of every 20 min: a noise of SIZE (one standard deviation)",
        unit="mV",
        sizes=(8.0, 3.0),
        most=100.0,
        change=Change(stage=_MV, function=_pumped),
    ),
    _standing(
        "mains-hum",
        "hum of the mains of +-SIZE, which one conversion a second shows as a slow swing",
        unit="mV",
        sizes=(10.0, 3.0),
        most=100.0,
        change=Change(stage=_MV, function=_hum),
    ),
    _standing(
        "gas-cushions",
        "cushions of gas lie on the bulb for 5 to 20 min now and then: up to +-SIZE",
        unit="mV",
        sizes=(15.0, 5.0),
        most=200.0,
        change=Change(stage=_MV, function=_cushions),
    ),
    Effect(
        name="stirring",
        summary="somebody stirs for 6 min and marks nothing: spikes; the brine at the probe, not the vat's mean, "
        "is then SIZE higher until it lies in layers again",
        unit="pH",
        sizes=(0.1, 0.0),
        most=1.0,
        period=lambda start_h, _: FaultPeriod(fault=Fault.STIRRED, start_h=start_h, end_h=start_h + STIRRING_H),
        changes=(Change(stage=Stage.MEMBRANE_PH, function=_mixed),),
    ),
    _done(
        "cold-top-up",
        "somebody tops up with fresh brine 16 C colder and marks nothing: the vat is SIZE colder, its pH changes",
        unit="C",
        sizes=(3.0, 4.0),
        most=15.0,
        intervention=_topped_up,
    ),
    _done(
        "vat-heated",
        "the vat is heated to SIZE (time constant 1 h), and ferments faster",
        unit="C",
        sizes=(33.0, 40.0),
        most=60.0,
        intervention=_brought,
    ),
    _done(
        "vat-cooled",
        "the vat is cooled to SIZE (time constant 1 h), and ferments more slowly",
        unit="C",
        sizes=(8.0,),
        most=60.0,
        intervention=_brought,
    ),
    _done(
        "lye-spill",
        "lye is spilt into the vat: its pH rises by SIZE in 20 min",
        unit="pH",
        sizes=(0.3,),
        most=3.0,
        intervention=partial(_spilt, sign=1),
        lasts_h=SPILL_H,
    ),
    _done(
        "acid-spill",
        "acid is spilt into the vat: its pH falls by SIZE in 20 min",
        unit="pH",
        sizes=(0.3,),
        most=3.0,
        intervention=partial(_spilt, sign=-1),
        lasts_h=SPILL_H,
    ),
    _done(
        "mould-rise",
        "mould eats the acid: the vat's pH rises by SIZE an hour, whatever the bacteria make",
        unit="pH",
        sizes=(0.05, 0.02, 0.1),
        most=1.0,
        intervention=_eaten,
    ),
)
