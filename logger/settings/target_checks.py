"""What the target of a vat must mean to be watched. Pure, like `checks.py`."""

from collections.abc import Iterator
from typing import Final

from logger.config import ProbeConfig, VatConfig
from logger.settings import ranges
from logger.settings.problems import Key, Problem
from logger.settings.ranges import wrong

_WINDOW_POLLS: Final = 3


def target_problems(vat: VatConfig, probe: ProbeConfig | None) -> Iterator[Problem]:
    """Yield what is wrong with the target of a vat, or with alarms on a target that it has not."""
    key, target = ("vat", vat.id, "target"), vat.target
    if target is None:
        for alarm in vat.alarms:
            if alarm.kind.is_of_target:
                reason = f"an alarm of kind {alarm.kind} needs a target, and this vat has none"
                remedy = f"add [vat.{vat.id}.target], for instance with ph = 4.6, or remove the alarm"
                yield Problem(key=("vat", vat.id, "alarm", alarm.id), reason=reason, remedy=remedy)
        return
    yield from ranges.between((*key, "ph"), target.ph, low=0, high=14)
    # At 0.5 no doubt is looked at; beyond 0.9999 the normal distribution is believed further out than any budget holds.
    yield from ranges.between((*key, "probability"), target.probability, low=0.5, high=0.9999)
    yield from ranges.between((*key, "window_s"), target.window_s, low=1, high=86400)
    yield from ranges.between((*key, "windows"), target.windows, low=1, high=1000)
    yield from ranges.between((*key, "check_within_h"), target.check_within_h, low=1, high=8784)
    yield from median_of((*key, "window_s"), target.window_s, probe)


def median_of(key: Key, window_s: float, probe: ProbeConfig | None, *, instead: str = "") -> Iterator[Problem]:
    """Check that a window holds enough polls for a median; without its probe nothing is judged."""
    if probe is not None and window_s < _WINDOW_POLLS * probe.poll_s:
        least = _WINDOW_POLLS * probe.poll_s
        reason = f"a window of fewer than {_WINDOW_POLLS} polls has no median (poll_s is {probe.poll_s:g})"
        yield wrong(key, window_s, reason, f"write {least:g} or more{instead}")
