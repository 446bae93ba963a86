"""Alarms by kind of ferment, for a vat that says `profile = "..."`: a beginning, to be tuned to one's own recipe.

Law: what is written in the file stands over the profile, key by key. Every figure is common practice, no source; those
of `slow-start`, `no-start` and `stall` come from trials on simulated vats. None of them has `ph-high`: a vat begins
above its limit, and once it has acidified `rise` watches it.

A profile is no more than written alarms: it ends where the configuration is made, so nothing that watches knows of it.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any, Final

from logger.config import AlarmKind, Priority


class Profile(StrEnum):
    """Kinds of ferment."""

    LACTIC_VEGETABLES = "lactic-vegetables"
    """Wild, in 2 to 3 % salt."""
    BRINED_CUCUMBERS = "brined-cucumbers"
    """In 5 to 8 % salt."""
    VINEGAR = "vinegar"
    """Acetification: a rise says that the alcohol has run out."""
    KOMBUCHA = "kombucha"


_WAKES: Final[Mapping[str, Any]] = {
    "on_delay_s": 1200.0,
    "priority": Priority.HIGH,
    "reminder_s": 900.0,
    "realarm_s": 14400.0,
}
_HOUR_S: Final = 3600.0


def _alarms(
    *, ph_low: float, soft_c: tuple[float, float], hard_c: tuple[float, float], rise: Mapping[str, float]
) -> Mapping[str, Mapping[str, Any]]:
    """Return keys of alarms by their names: soft bands wait for the day, hard ones wake."""
    return {
        "ph-low": {"kind": AlarmKind.PH_LOW, "setpoint": ph_low, "off_delay_s": 1800.0},
        "rate-of-change": {"kind": AlarmKind.RATE_OF_CHANGE},
        "rise": {"kind": AlarmKind.RISE, **rise},
        "cool": {"kind": AlarmKind.TEMPERATURE_LOW, "setpoint": soft_c[0], "on_delay_s": _HOUR_S},
        "warm": {"kind": AlarmKind.TEMPERATURE_HIGH, "setpoint": soft_c[1], "on_delay_s": _HOUR_S},
        "temperature-low": {"kind": AlarmKind.TEMPERATURE_LOW, "setpoint": hard_c[0], **_WAKES},
        "temperature-high": {"kind": AlarmKind.TEMPERATURE_HIGH, "setpoint": hard_c[1], **_WAKES},
    }


def _course(*, slow_h: float, late_h: float, above_ph: float) -> Mapping[str, Mapping[str, Any]]:
    """Return the alarms by the course of a batch; biological hours: the first waits for the day, the second wakes."""
    wakes = {name: value for name, value in _WAKES.items() if name != "on_delay_s"}
    return {
        "slow-start": {"kind": AlarmKind.NO_START, "setpoint": slow_h},
        "no-start": {"kind": AlarmKind.NO_START, "setpoint": late_h, **wakes},
        "stall": {"kind": AlarmKind.STALL, "above_ph": above_ph},
    }


_BREAKS_OFF: Final = {"fall-broke-off": {"kind": AlarmKind.FALL_BROKE_OFF}}
"""Not for kombucha: the fall of a simulated one ends as sharply, in 1 of 10, at about pH 3."""
_SOON: Final = {"setpoint": 0.10, "on_delay_s": 3 * _HOUR_S}


def _deadlines(day_h: float, night_h: float) -> Mapping[str, Mapping[str, Any]]:
    """Return the alarms by hours after the start of the batch: the first waits for the day, the last one wakes."""
    return {
        "deadline-warning": {"kind": AlarmKind.DEADLINE, "setpoint": day_h},
        "likely-late": {"kind": AlarmKind.LIKELY_LATE},
        "deadline": {"kind": AlarmKind.DEADLINE, "setpoint": night_h, **_WAKES, "on_delay_s": 0.0},
    }


TARGETS: Final[Mapping[Profile, Mapping[str, Any]]] = {
    Profile.LACTIC_VEGETABLES: {"ph": 4.6},
    Profile.BRINED_CUCUMBERS: {"ph": 4.6},
    Profile.KOMBUCHA: {"ph": 4.2},
}
"""What each is to reach; vinegar is titrated."""
PROFILES: Final[Mapping[Profile, Mapping[str, Mapping[str, Any]]]] = {
    Profile.LACTIC_VEGETABLES: {
        **_alarms(ph_low=3.0, soft_c=(16.0, 24.0), hard_c=(10.0, 30.0), rise=_SOON),
        **_course(slow_h=66.0, late_h=84.0, above_ph=TARGETS[Profile.LACTIC_VEGETABLES]["ph"]),
        **_BREAKS_OFF,
        **_deadlines(72.0, 120.0),
    },
    Profile.BRINED_CUCUMBERS: {
        **_alarms(ph_low=3.0, soft_c=(18.0, 30.0), hard_c=(12.0, 35.0), rise=_SOON),
        **_course(slow_h=72.0, late_h=96.0, above_ph=TARGETS[Profile.BRINED_CUCUMBERS]["ph"]),
        **_BREAKS_OFF,
        **_deadlines(96.0, 168.0),
    },
    Profile.VINEGAR: _alarms(
        ph_low=2.2,
        soft_c=(25.0, 32.0),
        hard_c=(20.0, 36.0),
        rise={"setpoint": 0.08, "on_delay_s": 12 * _HOUR_S},
    ),
    Profile.KOMBUCHA: {
        **_alarms(
            ph_low=2.5,
            soft_c=(21.0, 29.0),
            hard_c=(18.0, 32.0),
            rise={"setpoint": 0.15, "on_delay_s": 12 * _HOUR_S},
        ),
        **_course(slow_h=72.0, late_h=96.0, above_ph=TARGETS[Profile.KOMBUCHA]["ph"]),
        **_deadlines(120.0, 168.0),
    },
}
