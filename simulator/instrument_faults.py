"""Define the named faults of the instrument: its settings, display, thermometer, contacts and port.

Sizes and times are common practice and a trial on simulated vats, no source, unless one is named.
"""

from functools import partial

import numpy as np

from simulator.effects import Change, Effect, Scene, Signal, Stage
from simulator.electrode import ISOPOTENTIAL_PH, nernst_slope_mv
from simulator.faults import Fault, FaultPeriod, Floats, Ints
from simulator.noise import Stream

DEFAULT_GAIN = 0.95
OPEN_MV = 250.0
"""An open input of high resistance floats this far (one standard deviation)."""
OPEN_S = 5
SETTLING_S = 90.0
"""After a restart the input settles from 0 mV with this time constant."""
JUMP_S = 60


def _shifted(scene: Scene, before: Signal, second: Ints) -> Floats:
    return before(second) + scene.size


def _scaled(scene: Scene, before: Signal, second: Ints) -> Floats:
    return before(second) * scene.size


def _defaults(scene: Scene, before: Signal, second: Ints) -> Floats:
    return DEFAULT_GAIN * before(second) + scene.size


def _held(scene: Scene, before: Signal, second: Ints) -> Floats:
    return np.full(second.shape, scene.at_start(before))


def _own_ph_held(scene: Scene, before: Signal, second: Ints) -> Floats:
    """Return the potential from which an instrument makes the same pH at any temperature."""
    ph = ISOPOTENTIAL_PH - scene.at_start(before) / float(nernst_slope_mv(scene.at_start(scene.shown_c)))
    return (ISOPOTENTIAL_PH - ph) * nernst_slope_mv(scene.shown_c(second))


def _toggling(scene: Scene, before: Signal, second: Ints, *, digit: float, places: int) -> Floats:
    up = scene.noise.uniform(Stream.TOGGLE, second) < 0.5  # noqa: PLR2004 -- one in two
    return np.round(scene.at_start(before) + np.where(up, digit, 0.0), places)


def _flapping(scene: Scene, before: Signal, second: Ints) -> Floats:
    period = second // OPEN_S
    is_open = scene.noise.uniform(Stream.CONTACT, period) < scene.size
    return np.where(is_open, OPEN_MV * scene.noise.normal(Stream.CONTACT, period), before(second))


def _restarting(scene: Scene, before: Signal, second: Ints) -> Floats:
    since_s = np.mod(second - scene.start_s, scene.size * 60.0)
    return before(second) * -np.expm1(-since_s / SETTLING_S)


def _fixed(scene: Scene, _before: Signal, second: Ints) -> Floats:
    return np.full(second.shape, scene.size)


def _fahrenheit(_scene: Scene, before: Signal, second: Ints) -> Floats:
    return before(second) * 1.8 + 32.0


def _jumping(scene: Scene, before: Signal, second: Ints) -> Floats:
    away = scene.noise.uniform(Stream.THERMOMETER_JUMP, second // JUMP_S) < 0.5  # noqa: PLR2004 -- one in two
    return before(second) + np.where(away, scene.size, 0.0)


_MV, _C = Stage.POTENTIAL_MV, Stage.THERMOMETER_C


def _of_fault(fault: Fault, name: str, summary: str) -> Effect:
    """Return a fault that `simulator.faults` defines, by its name on the command line."""
    return Effect(
        name=name,
        summary=summary,
        period=lambda start_h, end_h: FaultPeriod(fault=fault, start_h=start_h, end_h=end_h),
    )


INSTRUMENT_FAULTS = (
    Effect(
        name="offset",
        summary="the instrument's zero is off by SIZE",
        unit="mV",
        sizes=(25.0, 15.0, -25.0),
        least=-1000.0,
        most=1000.0,
        changes=(Change(stage=_MV, function=_shifted),),
    ),
    Effect(
        name="unit-changed",
        summary="another unit: the potential is multiplied by SIZE",
        unit="times",
        sizes=(0.001, 1000.0),
        least=-1e6,
        most=1e6,
        changes=(Change(stage=_MV, function=_scaled),),
    ),
    Effect(
        name="range-changed",
        summary="another range: the potential is multiplied by SIZE",
        unit="times",
        sizes=(0.1, 10.0),
        least=-1e6,
        most=1e6,
        changes=(Change(stage=_MV, function=_scaled),),
    ),
    Effect(
        name="defaults-restored",
        summary="the instrument has its default values again: 95 % of the gain, the zero off by SIZE",
        unit="mV",
        sizes=(30.0, -30.0),
        least=-1000.0,
        most=1000.0,
        changes=(Change(stage=_MV, function=_defaults),),
    ),
    Effect(
        name="toggling-digit",
        summary="the last digit of both values toggles, else they are frozen",
        changes=(
            Change(stage=Stage.SHOWN_MV, function=partial(_toggling, digit=0.1, places=1)),
            Change(stage=Stage.SHOWN_C, function=partial(_toggling, digit=0.01, places=2)),
        ),
    ),
    _of_fault(Fault.FROZEN, "frozen", "potential and temperature repeat to the bit"),
    _of_fault(Fault.FROZEN_POTENTIAL, "frozen-potential", "the potential repeats to the bit, the thermometer lives"),
    Effect(
        name="frozen-own-ph",
        summary="the pH that the instrument makes itself is frozen, the thermometer lives",
        changes=(Change(stage=Stage.SHOWN_MV, function=_own_ph_held),),
    ),
    Effect(
        name="thermometer-stuck",
        summary="the thermometer stays where it was",
        changes=(Change(stage=Stage.SHOWN_C, function=_held),),
    ),
    Effect(
        name="thermometer-fixed",
        summary="the thermometer says SIZE, as broken ones do",
        unit="C",
        sizes=(85.0, 0.0, -127.0),
        least=-273.15,
        most=1000.0,
        changes=(Change(stage=Stage.SHOWN_C, function=_fixed),),
    ),
    Effect(
        name="thermometer-in-fahrenheit",
        summary="the thermometer says degrees Fahrenheit",
        changes=(Change(stage=_C, function=_fahrenheit),),
    ),
    Effect(
        name="thermometer-jumps",
        summary="the thermometer jumps by SIZE, to and fro, within minutes",
        unit="C",
        sizes=(5.0,),
        least=-100.0,
        most=100.0,
        changes=(Change(stage=_C, function=_jumping),),
    ),
    Effect(
        name="connector-flapping",
        summary="a connector flaps: for SIZE of the time the input is open and says anything",
        unit="of 1",
        sizes=(0.35, 0.05),
        most=1.0,
        changes=(Change(stage=_MV, function=_flapping),),
    ),
    Effect(
        name="restarting",
        summary="the instrument restarts every SIZE, and settles from 0 mV each time",
        unit="min",
        sizes=(20.0,),
        least=1.0,
        most=1440.0,
        changes=(Change(stage=_MV, function=_restarting),),
    ),
    _of_fault(Fault.OVERRANGE, "overrange", "the potential is beyond the converter"),
    _of_fault(Fault.NO_TEMPERATURE, "no-temperature", "the thermometer is broken and says so"),
    _of_fault(Fault.HARDWARE_ERROR, "hardware-error", "measuring gives no reply and queues an error"),
    _of_fault(Fault.UNPLUGGED, "unplugged", "the port goes away"),
    _of_fault(Fault.GARBLED, "garbled", "replies arrive with flipped bits"),
    _of_fault(Fault.SLOW, "slow", "replies arrive 3 real seconds late"),
)
