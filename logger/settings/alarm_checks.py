"""What the alarms of a vat must mean to be run. Pure, like `checks.py`."""

from collections.abc import Iterator
from itertools import product
from typing import Final

from logger.config import AlarmConfig, AlarmKind, ProbeConfig, Signal, VatConfig
from logger.settings import ranges
from logger.settings.problems import Key, Problem
from logger.settings.ranges import LONGEST_S, wrong
from logger.settings.target_checks import median_of, target_problems
from logger.watch.system import SYSTEM

_PH_RANGE: Final = (-2.0, 16.0)
_PLAIN: Final = AlarmConfig(id="", kind=AlarmKind.RISE)
_OWN: Final = {"armed_ph": _PH_RANGE, "drop_ph": (0.01, 10.0), "above_ph": _PH_RANGE}
"""Bounds of the keys that only some kinds look at."""
_PAIRS: Final = ((AlarmKind.PH_LOW, AlarmKind.PH_HIGH), (AlarmKind.TEMPERATURE_LOW, AlarmKind.TEMPERATURE_HIGH))


def vat_problems(vat: VatConfig, probe: ProbeConfig | None) -> Iterator[Problem]:
    """Yield what is wrong with a vat and its alarms; without its probe, what depends on the probe is not judged."""
    key = ("vat", vat.id)
    yield from ranges.name(key)
    if vat.id == SYSTEM:
        yield Problem(key=key, reason="the watch itself is called so", remedy="give the vat another name")
    yield from ranges.text((*key, "name"), vat.name, longest=100)
    yield from ranges.between((*key, "max_shelve_s"), vat.max_shelve_s, low=1, high=LONGEST_S)
    yield from ranges.between((*key, "probe_out_s"), vat.probe_out_s, low=1, high=LONGEST_S)
    yield from ranges.between((*key, "unsettled_s"), vat.unsettled_s, low=1, high=LONGEST_S)
    yield from target_problems(vat, probe)
    for alarm in vat.alarms:
        yield from _alarm((*key, "alarm", alarm.id), alarm, probe)
        if alarm.kind is AlarmKind.DISAGREEMENT and not vat.reference:
            remedy = 'write reference = "..." below the vat, the id of its second probe'
            reason = "this vat has one probe: there is nothing to compare"
            yield Problem(key=(*key, "alarm", alarm.id), reason=reason, remedy=remedy)
    for low_kind, high_kind in _PAIRS:
        lows = [alarm for alarm in vat.alarms if alarm.kind is low_kind]
        highs = [alarm for alarm in vat.alarms if alarm.kind is high_kind]
        for low, high in product(lows, highs):
            yield from _pair((*key, "alarm"), low, high)


def _alarm(key: Key, alarm: AlarmConfig, probe: ProbeConfig | None) -> Iterator[Problem]:
    yield from ranges.name(key)
    yield from ranges.between((*key, "on_delay_s"), alarm.on_delay_s, low=0, high=LONGEST_S)
    yield from ranges.between((*key, "off_delay_s"), alarm.off_delay_s, low=0, high=LONGEST_S)
    yield from ranges.between((*key, "realarm_s"), alarm.realarm_s, low=1, high=LONGEST_S)
    yield from ranges.between((*key, "reminder_s"), alarm.reminder_s, low=1, high=LONGEST_S)
    yield from _raising(key, alarm)
    yield from _window(key, alarm, probe)
    if alarm.kind.row.signal is Signal.TEMPERATURE and probe is not None and not probe.has_thermometer:
        remedy = "remove this alarm (or the profile that brings it), or read a thermometer"
        yield Problem(
            key=key, reason=f"probe {probe.id!r} reports no temperature, so it could never speak", remedy=remedy
        )
    yield from _own_keys(key, alarm)
    yield from _setpoint(key, alarm, probe) if alarm.kind.has_value else _instrument(key, alarm)


def _raising(key: Key, alarm: AlarmConfig) -> Iterator[Problem]:
    name = (*key, "raise_after_reminders")
    yield from ranges.between(name, alarm.raise_after_reminders, low=1, high=1000)
    if alarm.raise_after_reminders is not None and alarm.reminder_s is None:
        remedy = "write reminder_s, such as 900, or remove this key"
        yield wrong(name, alarm.raise_after_reminders, "no reminder comes", remedy)


def _window(key: Key, alarm: AlarmConfig, probe: ProbeConfig | None) -> Iterator[Problem]:
    yield from ranges.between((*key, "window_s"), alarm.window_s, low=0, high=86400)
    if alarm.kind.is_trend and alarm.window_s == 0:
        reason = f"an alarm of kind {alarm.kind} compares the medians of windows"
        yield wrong((*key, "window_s"), alarm.window_s, reason, "write the length of a window in seconds, such as 600")
    if alarm.kind.is_of_target and alarm.window_s != 0:
        reason = f"an alarm of kind {alarm.kind} judges no window of its own"
        yield wrong((*key, "window_s"), alarm.window_s, reason, "remove this key; the target has one")
    elif alarm.window_s > 0:
        yield from median_of((*key, "window_s"), alarm.window_s, probe, instead=", or 0 to judge every record")


def _own_keys(key: Key, alarm: AlarmConfig) -> Iterator[Problem]:
    """Check the keys that only some kinds look at."""
    for name, (low, high) in _OWN.items():
        value, kinds = getattr(alarm, name), [kind for kind in AlarmKind if name in kind.row.own_keys]
        if alarm.kind in kinds:
            yield from ranges.between((*key, name), value, low=low, high=high)
        elif value != getattr(_PLAIN, name):
            remedy = f"remove this key; it goes with kind {' or '.join(kinds)}"
            yield wrong((*key, name), value, f"an alarm of kind {alarm.kind} does not look at it", remedy)


def _instrument(key: Key, alarm: AlarmConfig) -> Iterator[Problem]:
    for name, empty in (("setpoint", None), ("deadband", 0.0)):
        value = getattr(alarm, name)
        if value != empty:
            reason = f"an alarm of kind {alarm.kind} judges no value and has no {name}"
            yield wrong((*key, name), value, reason, "remove this key; on_delay_s is what can be tuned")


def _setpoint(key: Key, alarm: AlarmConfig, probe: ProbeConfig | None) -> Iterator[Problem]:
    if alarm.setpoint is None:
        remedy = f"write setpoint = ({alarm.kind.row.setpoint_words}, as a number)"
        yield Problem(key=(*key, "setpoint"), reason=f"it is missing, and {alarm.kind} needs one", remedy=remedy)
        return
    low, high = _range(alarm, probe)
    yield from ranges.between((*key, "setpoint"), alarm.setpoint, low=low, high=high)
    if alarm.deadband < 0:
        yield wrong((*key, "deadband"), alarm.deadband, "this must be 0 or above", "write a larger number")
    returns_at = alarm.setpoint - alarm.deadband if alarm.kind.is_high else alarm.setpoint + alarm.deadband
    if low <= alarm.setpoint <= high and alarm.deadband >= 0 and not low < returns_at < high:
        reason = f"the alarm could never return: it would have to pass {returns_at:g}"
        yield wrong((*key, "deadband"), alarm.deadband, reason, "write a smaller number")


def _range(alarm: AlarmConfig, probe: ProbeConfig | None) -> tuple[float, float]:
    """Return how far the quantity can go: as its kind says, or as far as the probe's thermometer is believed."""
    limits = (probe or ProbeConfig(id="", port="")).limits
    return alarm.kind.row.setpoint_bounds or (limits.fail_low_c, limits.fail_high_c)


def _pair(key: Key, low: AlarmConfig, high: AlarmConfig) -> Iterator[Problem]:
    if low.setpoint is None or high.setpoint is None:
        return
    if low.setpoint >= high.setpoint:
        reason = f"this must be below the setpoint of {high.id!r} ({high.setpoint:g}), or one of them always stands"
        yield wrong((*key, low.id, "setpoint"), low.setpoint, reason, "lower this one or raise the other")
        return
    for alarm, other in ((low, high), (high, low)):
        if alarm.deadband >= high.setpoint - low.setpoint:
            reason = f"the alarm could return only where {other.id!r} begins"
            remedy = f"write less than {high.setpoint - low.setpoint:g}, the distance between the two setpoints"
            yield wrong((*key, alarm.id, "deadband"), alarm.deadband, reason, remedy)
