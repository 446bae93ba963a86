"""Define the named faults of the probe: where it is, and what is wrong with its bulb, junction, plug and reference.

Sizes and times are common practice and a trial on simulated vats, no source, unless one is named.
"""

from functools import partial

import numpy as np

from simulator.effects import Change, Effect, Scene, Signal, SlowFollowing, Stage
from simulator.electrode import nernst_slope_mv
from simulator.faults import Fault, FaultPeriod, Floats, Ints
from simulator.noise import Stream
from simulator.operator import THERMAL_TAU_S
from simulator.rig import LIFT_TAU_S

STILL_AIR_TAU_S = 300.0
"""A thermometer's bulb in still air; in a liquid it is `THERMAL_TAU_S`."""
FILM_KNOT_S = 3 * 3600
FILM_HOLDS_H = 3.0
"""The film of brine keeps its pH for hours; then it dries and takes up what the air brings."""
FILM_STRAYS_PH = 0.3
CALM_STRAYS_PH = 0.05
AIR_NOISE_MV = 1.0
"""A film is a poor screen: the bulb picks up more than in the vat."""
RINSE_STRAYS_PH = 0.3
RINSE_NOISE_MV = 1.5
"""Without buffer and nearly without ions neither membrane nor junction is steady."""
CRACK_STRAYS_MV = 2.0
HAIRLINE_H = 36.0
FOAM_TAU_H = 4.5
"""The liquid in foam around a bulb is exchanged this slowly."""
HOURS_A_DAY = 24.0


def _colder(scene: Scene, before: Signal, second: Ints) -> Floats:
    return before(second) - scene.size


def _film(scene: Scene, before: Signal, second: Ints, *, strays_ph: float) -> Floats:
    """Return the pH that the vat had when the probe was lifted, and how the film strays from it."""
    loose = -np.expm1(-scene.hours(second) / FILM_HOLDS_H)
    return scene.at_start(before) + strays_ph * loose * scene.noise.wander(Stream.FILM, second, period_s=FILM_KNOT_S)


def _noisy(scene: Scene, before: Signal, second: Ints, *, noise_mv: float) -> Floats:
    return before(second) + noise_mv * scene.noise.normal(Stream.AIR, second)


def _at_room(scene: Scene, _before: Signal, second: Ints) -> Floats:
    return scene.room_c(second)


def _buffer(scene: Scene, _before: Signal, second: Ints) -> Floats:
    return np.full(second.shape, scene.size)


def _rinse(scene: Scene, _before: Signal, second: Ints) -> Floats:
    return scene.size + RINSE_STRAYS_PH * scene.noise.wander(Stream.RINSE, second, period_s=1200)


def _shorted(scene: Scene, _before: Signal, second: Ints) -> Floats:
    return scene.size + CRACK_STRAYS_MV * scene.noise.wander(Stream.CRACK, second, period_s=300)


def _slope_falls(scene: Scene, before: Signal, second: Ints) -> Floats:
    return before(second) * (1.0 - scene.size * np.minimum(scene.hours(second) / HAIRLINE_H, 1.0))


def _dry(scene: Scene, before: Signal, second: Ints) -> Floats:
    return before(second) + scene.size * scene.noise.wander(Stream.JUNCTION, second, period_s=600)


def _discharged(scene: Scene, before: Signal, second: Ints) -> Floats:
    """Return what is left of the potential: it drains through a resistance, as a capacitor does (RC)."""
    return before(second) * np.exp(-scene.hours(second) / scene.size)


def _reference_drifts(scene: Scene, before: Signal, second: Ints) -> Floats:
    days = scene.hours(second) / HOURS_A_DAY
    return before(second) + scene.size * days * scene.electrode.slope * nernst_slope_mv(scene.bulb_c(second))


def _leaks(scene: Scene, before: Signal, second: Ints, *, on_s: int) -> Floats:
    on = (second - scene.start_s) // on_s % 2 == 0
    return before(second) + np.where(on, scene.size, 0.0)


_BULB, _PH, _MV = Stage.BULB_C, Stage.MEMBRANE_PH, Stage.POTENTIAL_MV
_AIR_NOISE = Change(stage=_MV, function=partial(_noisy, noise_mv=AIR_NOISE_MV))
_COLDER = Change(stage=_BULB, function=_colder, tau_s=STILL_AIR_TAU_S, back_s=THERMAL_TAU_S)
_IN_A_GLASS = Change(stage=_BULB, function=_at_room, tau_s=THERMAL_TAU_S, back_s=THERMAL_TAU_S)


def _film_of(strays_ph: float) -> Change:
    return Change(stage=_PH, function=partial(_film, strays_ph=strays_ph), back_s=None)


PROBE_FAULTS = (
    Effect(
        name="still-air",
        summary="lifted into still air SIZE colder than the vat; the film of brine keeps the old pH, then strays",
        unit="C",
        sizes=(2.0, 4.0, 0.0),
        most=20.0,
        changes=(_COLDER, _film_of(FILM_STRAYS_PH), _AIR_NOISE),
    ),
    Effect(
        name="calm-air",
        summary="lifted into dead calm air as warm as the vat: the film of brine keeps the old pH",
        changes=(_film_of(CALM_STRAYS_PH),),
    ),
    Effect(
        name="draughty-air",
        summary="lifted into draughty air SIZE colder than the room: the film of brine wanders and is noisy",
        unit="C",
        sizes=(2.0, 4.0, 0.0),
        most=20.0,
        period=lambda start_h, end_h: FaultPeriod(fault=Fault.OUT_OF_LIQUID, start_h=start_h, end_h=end_h),
        changes=(Change(stage=_BULB, function=_colder, tau_s=LIFT_TAU_S, back_s=LIFT_TAU_S),),
    ),
    Effect(
        name="buffer-glass",
        summary="left in a glass of storage liquid or buffer of pH SIZE, as warm as the room",
        unit="pH",
        sizes=(4.01, 6.86, 9.18),
        most=14.0,
        changes=(Change(stage=_PH, function=_buffer, tau_s=None, back_s=None), _IN_A_GLASS),
    ),
    Effect(
        name="rinse-glass",
        summary="left in a rinse glass near pH SIZE, unbuffered: it wanders",
        unit="pH",
        sizes=(7.0,),
        least=5.0,
        most=9.0,
        changes=(
            Change(stage=_PH, function=_rinse, tau_s=None, back_s=None),
            _IN_A_GLASS,
            Change(stage=_MV, function=partial(_noisy, noise_mv=RINSE_NOISE_MV)),
        ),
    ),
    Effect(
        name="cracked-bulb",
        summary="the bulb is cracked: a short, so the potential stands near SIZE",
        unit="mV",
        sizes=(0.0,),
        least=-100.0,
        most=100.0,
        changes=(Change(stage=_MV, function=_shorted),),
    ),
    Effect(
        name="hairline-crack",
        summary="a hairline crack: SIZE of the slope is lost within 36 h, in a straight line",
        unit="of 1",
        sizes=(0.4,),
        most=1.0,
        changes=(Change(stage=_MV, function=_slope_falls),),
    ),
    Effect(
        name="dry-junction",
        summary="the junction is dry: the potential wanders by SIZE (one standard deviation) within minutes",
        unit="mV",
        sizes=(40.0,),
        most=500.0,
        changes=(Change(stage=_MV, function=_dry, tau_s=120.0),),
    ),
    Effect(
        name="damp-plug",
        summary="a damp plug: the potential drains with a time constant of SIZE, and pH creeps to 7",
        unit="h",
        sizes=(6.0, 3.0, 12.0),
        least=0.1,
        most=100.0,
        changes=(Change(stage=_MV, function=_discharged),),
    ),
    Effect(
        name="heater-leakage-10-min",
        summary="leakage of a heater adds SIZE, 10 min on and 10 min off",
        unit="mV",
        sizes=(40.0, 15.0),
        least=-500.0,
        most=500.0,
        changes=(Change(stage=_MV, function=partial(_leaks, on_s=600)),),
    ),
    Effect(
        name="heater-leakage-2-h",
        summary="leakage of a heater adds SIZE, 2 h on and 2 h off",
        unit="mV",
        sizes=(40.0, 15.0),
        least=-500.0,
        most=500.0,
        changes=(Change(stage=_MV, function=partial(_leaks, on_s=7200)),),
    ),
    Effect(
        name="foam",
        summary="foam around the bulb: it follows the vat in hours (time constant 4.5 h), to SIZE above it",
        unit="pH",
        sizes=(0.25, 0.15),
        least=-2.0,
        most=2.0,
        following=lambda size: SlowFollowing(tau_h=FOAM_TAU_H, rise_ph=size),
    ),
    Effect(
        name="coating",
        summary="a coating on the bulb: it follows the vat with a time constant of SIZE",
        unit="h",
        sizes=(2.0, 0.5),
        least=0.01,
        most=100.0,
        following=lambda size: SlowFollowing(tau_h=size),
    ),
    Effect(
        name="reference-drift",
        summary="the reference electrode drifts: the reading falls by SIZE a day (rises, if below 0)",
        unit="pH",
        sizes=(1.0, 0.5, -0.5),
        least=-10.0,
        most=10.0,
        changes=(Change(stage=_MV, function=_reference_drifts),),
    ),
    Effect(
        name="knocked",
        summary="knocked: jumps of several pH",
        period=lambda start_h, end_h: FaultPeriod(fault=Fault.KNOCKED, start_h=start_h, end_h=end_h),
    ),
)
