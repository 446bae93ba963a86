"""Count the alarms of the store: now, and over a period.

Law: reads only; what is judged is judged in `cli/_performance.py`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from logger.config import AlarmConfig, Config, VatConfig
from logger.model import Carry, Ints, Measurements
from logger.report.performance import (
    PERIOD_US,
    STALE_US,
    AcknowledgementTimes,
    Performance,
    assess,
    can_chatter,
    chatters,
    crossings,
)
from logger.store import Store, history, queries
from logger.units import SECOND_US

EVERYTHING = 10**9


@dataclass(frozen=True, slots=True, kw_only=True)
class Counters:
    """What an operator can read at any time."""

    annunciated_10_min: int
    annunciated_24_h: int
    chattering: list[str]
    """Alarms whose setpoint single readings crossed three times in 60 s within the last 10 min."""
    stale: list[str]
    """Alarms that have stood for over 24 h."""
    answers: AcknowledgementTimes
    """Of the last 24 h."""


def count(config: Config, store: Store, carries: Mapping[str, Carry], *, at_us: int) -> Counters:
    """Return the counters at a moment (UTC, microseconds)."""
    # An occurrence of before this day may be acknowledged in it, so the journal is looked at from earlier on.
    entries = queries.entries(store, limit=EVERYTHING, since_at_us=at_us - 2 * STALE_US)
    day = assess(entries, since_us=at_us - STALE_US, until_us=at_us + 1)
    newest = [entry for entry in entries if entry.annunciates and entry.at_us > at_us - PERIOD_US]
    return Counters(
        annunciated_10_min=len(newest),
        annunciated_24_h=day.annunciated,
        chattering=[name for vat in config.vats for name in _chattering_now(config, store, vat, at_us=at_us)],
        stale=[name for vat in config.vats for name in _stale(vat, carries.get(vat.id), at_us=at_us)],
        answers=day.answers,
    )


def _chattering_now(config: Config, store: Store, vat: VatConfig, *, at_us: int) -> Iterator[str]:
    poll_s = config.probe(vat.probe).poll_s
    if can_chatter(poll_s):
        rows = queries.latest(store, vat.probe, count=int(PERIOD_US / SECOND_US / poll_s))
        rows = rows[int(np.count_nonzero(rows.at_us <= at_us - PERIOD_US)) :]
        yield from (f"{vat.id} {alarm.id}" for alarm in _with_setpoint(vat) if chatters(_times(alarm, rows)))


def _stale(vat: VatConfig, carry: Carry | None, *, at_us: int) -> Iterator[str]:
    for name, state in carry.alarms.items() if carry else ():
        if state.shown.is_standing and state.abnormal and at_us - state.abnormal_at_us > STALE_US:
            yield f"{vat.id} {name}"


def performance_over(
    config: Config, store: Store, *, since_us: int, until_us: int
) -> tuple[Performance, dict[str, int]]:
    """Return how the alarms served over a period, and how often each alarm's reading chattered about its setpoint."""
    entries = queries.entries(store, limit=EVERYTHING, until_at_us=until_us)
    chattering = {
        name: times
        for vat in config.vats
        if can_chatter(config.probe(vat.probe).poll_s)
        for name, times in _chattered(store, vat, since_us=since_us, until_us=until_us)
        if times
    }
    return assess(entries, since_us=since_us, until_us=until_us), chattering


def _chattered(store: Store, vat: VatConfig, *, since_us: int, until_us: int) -> Iterator[tuple[str, int]]:
    alarms = _with_setpoint(vat)
    if not alarms:
        return
    crossed: dict[str, list[Ints]] = {alarm.id: [] for alarm in alarms}
    for span in history.spans(store, vat=vat.id, since_at_us=since_us, until_at_us=until_us):
        last: Measurements | None = None
        for rows in history.measurements(store, span):
            joined = rows if last is None else last.then(rows)
            for alarm in alarms:
                crossed[alarm.id].append(_times(alarm, joined))
            last = rows[len(rows) - 1 :]
    for alarm in alarms:
        times = np.concatenate([np.empty(0, dtype=np.int64), *crossed[alarm.id]])
        yield f"{vat.id} {alarm.id}", chatters(times)


def _with_setpoint(vat: VatConfig) -> list[AlarmConfig]:
    """Return the alarms of a vat whose setpoint a single reading can cross."""
    return [alarm for alarm in vat.alarms if alarm.setpoint is not None and not alarm.kind.is_trend]


def _times(alarm: AlarmConfig, rows: Measurements) -> Ints:
    return crossings(alarm, rows.elapsed_us, rows.ph if alarm.kind.is_ph else rows.temperature_c)
