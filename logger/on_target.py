"""Between the target of a vat (what was shown of it, `measure/target.py`) and the alarms on it (`alarm/of_target.py`).

Law: pure. What an alarm says beside its own sentence was known at its record, not later. Nothing is claimed at a record
at which the condition of an alarm speaks against it, that record itself included; so those alarms are judged first.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from logger.alarm import of_target, words
from logger.alarm.evaluate import Series
from logger.alarm.of_target import Shown
from logger.config import AlarmConfig, AlarmKind, ProbeConfig, VatConfig
from logger.looks import Looks
from logger.measure.conformance import conformance_probability
from logger.measure.target import Following
from logger.model import Carry, Entry, Ints, Measurements, State


def begin(vat: VatConfig, probe: ProbeConfig, carry: Carry, rows: Measurements) -> Following | None:
    """Take up the target of a vat over these rows; None: it has none."""
    if vat.target is None:
        return None
    return Following(vat=vat.id, target=vat.target, probe=probe, carry=carry, rows=rows)


Against = Callable[[Ints], Iterable[NDArray[np.bool_]]]
"""Tells of each alarm that can speak against a claim whether it does at these rows."""


def follow(following: Following | None, looks: Looks, against: Against) -> list[tuple[int, Entry]]:
    """Judge the target, if there is one; return what is to be journalled of it, each with its row."""
    if following is None:
        return []
    judged = looks.at(AlarmKind.PH_HIGH, following.target.window_s)
    forbidden = np.zeros(len(judged), dtype=np.bool_)
    if len(judged) and following.progress.claim is None:
        for speaks in against(judged.row):
            forbidden |= speaks
    following.follow(judged, forbidden)
    return list(following.entries)


def series(alarm: AlarmConfig, following: Following | None, rows: Measurements) -> Series:
    """Return what an alarm on the target judges."""
    if following is None:
        return of_target.series(alarm, Shown(started_us=None, claimed_from=None, withdrawn_us=None), rows)
    shown = Shown(
        started_us=following.carry.started_us,
        claimed_from=following.claimed_from,
        withdrawn_us=following.withdrawn_us,
    )
    return of_target.series(alarm, shown, rows)


def with_facts(alarm: AlarmConfig, entry: Entry, following: Following | None, row: int) -> Entry:
    """Say of an alarm on the target what stands behind it, of high pH how probable it is; of another alarm nothing."""
    if alarm.kind is AlarmKind.PH_HIGH:
        return _with_probability(entry)
    if following is None or not alarm.kind.is_of_target or entry.after is not State.UNACKNOWLEDGED:
        return entry
    fact = following.fact_at(row) if alarm.kind is AlarmKind.DEADLINE else following.why_withdrawn
    return replace(entry, text=f"{entry.text}. {fact}")


def _with_probability(entry: Entry) -> Entry:
    """Say how probable it is that pH is above the setpoint: no better than u, and of the brine at the probe."""
    if entry.after is not State.UNACKNOWLEDGED or entry.value is None or entry.u is None or entry.setpoint is None:
        return entry
    probability = conformance_probability(entry.value, entry.u, low=entry.setpoint)
    said = f"{entry.text}; probability that it is above: {words.per_cent(probability)}"
    return replace(entry, probability=probability, text=said)
