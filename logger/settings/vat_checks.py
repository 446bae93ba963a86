"""Check that a vat, its target and its alarms can be run. Pure, like `checks.py`."""

from collections.abc import Iterator
from itertools import product
from typing import Final

from logger.config import AlarmConfig, AlarmKind, ProbeConfig, Signal, VatConfig
from logger.settings.parsing import bounds_problems
from logger.settings.problems import Key, Problem, between, name_problems, wrong
from logger.watch.system import SYSTEM

_PLAIN: Final = AlarmConfig(id="", kind=AlarmKind.RISE)
_OWN: Final = ("armed_ph", "drop_ph", "above_ph")
"""Keys that only some kinds look at."""
_WINDOW_POLLS: Final = 3
_PAIRS: Final = ((AlarmKind.PH_LOW, AlarmKind.PH_HIGH), (AlarmKind.TEMPERATURE_LOW, AlarmKind.TEMPERATURE_HIGH))


def vat_problems(vat: VatConfig, probe: ProbeConfig | None) -> Iterator[Problem]:
    """Yield what is wrong with a vat and its alarms; without its probe, what depends on the probe is not judged."""
    key = ("vat", vat.id)
    yield from name_problems(key)
    if vat.id == SYSTEM:
        yield Problem(key=key, reason="the watch itself is called so", remedy="give the vat another name")
    yield from _target(vat, probe)
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


def _target(vat: VatConfig, probe: ProbeConfig | None) -> Iterator[Problem]:
    """Check the target of a vat, or alarms on a target that it does not have."""
    if vat.target is not None:
        yield from _median(("vat", vat.id, "target", "window_s"), vat.target.window_s, probe)
        return
    for alarm in vat.alarms:
        if alarm.kind.is_of_target:
            reason = f"an alarm of kind {alarm.kind} needs a target, and this vat has none"
            remedy = f"add [vat.{vat.id}.target], for instance with ph = 4.6, or remove the alarm"
            yield Problem(key=("vat", vat.id, "alarm", alarm.id), reason=reason, remedy=remedy)


def _median(key: Key, window_s: float, probe: ProbeConfig | None, *, instead: str = "") -> Iterator[Problem]:
    """Check that a window holds enough polls for a median; without its probe nothing is judged."""
    if probe is not None and window_s < _WINDOW_POLLS * probe.poll_s:
        least = _WINDOW_POLLS * probe.poll_s
        reason = f"a window of fewer than {_WINDOW_POLLS} polls has no median (poll_s is {probe.poll_s:g})"
        yield wrong(key, window_s, reason, f"write {least:g} or more{instead}")


def _alarm(key: Key, alarm: AlarmConfig, probe: ProbeConfig | None) -> Iterator[Problem]:
    yield from name_problems(key)
    yield from bounds_problems(key, alarm)
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
    if alarm.raise_after_reminders is not None and alarm.reminder_s is None:
        remedy = "write reminder_s, such as 900, or remove this key"
        yield wrong(name, alarm.raise_after_reminders, "no reminder comes", remedy)


def _window(key: Key, alarm: AlarmConfig, probe: ProbeConfig | None) -> Iterator[Problem]:
    if alarm.kind.is_trend and alarm.window_s == 0:
        reason = f"an alarm of kind {alarm.kind} compares the medians of windows"
        yield wrong((*key, "window_s"), alarm.window_s, reason, "write the length of a window in seconds, such as 600")
    if alarm.kind.is_of_target and alarm.window_s != 0:
        reason = f"an alarm of kind {alarm.kind} judges no window of its own"
        yield wrong((*key, "window_s"), alarm.window_s, reason, "remove this key; the target has one")
    elif alarm.window_s > 0:
        yield from _median((*key, "window_s"), alarm.window_s, probe, instead=", or 0 to judge every record")


def _own_keys(key: Key, alarm: AlarmConfig) -> Iterator[Problem]:
    """Check the keys that only some kinds look at."""
    for name in _OWN:
        value, kinds = getattr(alarm, name), [kind for kind in AlarmKind if name in kind.row.own_keys]
        if alarm.kind not in kinds and value != getattr(_PLAIN, name):
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
    yield from between((*key, "setpoint"), alarm.setpoint, low=low, high=high)
    returns_at = alarm.setpoint - alarm.deadband if alarm.kind.is_high else alarm.setpoint + alarm.deadband
    if low <= alarm.setpoint <= high and not low < returns_at < high:
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
