"""Restore at a start what the run before left in the store.

Law: it only reads, but for `remember`; what is to be written and told of it is returned.
"""

import logging
from collections.abc import Iterable, Mapping

from logger.alarm.orphans import find_orphans, kept
from logger.channels import Channel
from logger.config import Config, VatConfig
from logger.daemon import clock as clocks
from logger.daemon.clock import Clock
from logger.daemon.cycle import CycleResult, WatchedProbe
from logger.daemon.told_file import Told
from logger.model import AlarmState, Answer, Carry, Entry, Event, WatchState
from logger.store import Store, UnitOfWork, queries
from logger.structs import replace
from logger.units import DAY_US
from logger.watch import pipeline, system
from logger.watch.pipeline import Watch

log = logging.getLogger(__name__)


def orphaned_entries(store: Store, config: Config, *, config_hash: str, at_us: int) -> list[Entry]:
    """Return what is to be said of alarms that left a configuration that was changed since the last run."""
    runs = queries.runs(store)
    if not runs or runs[-1].config_hash == config_hash:
        return []
    stood = find_orphans((*config.vats, system.vat_of(config)), queries.watches(store), at_us=at_us)
    orphaned = [replace(entry, vat="") if entry.vat == system.SYSTEM else entry for entry in stood]
    for entry in orphaned:
        log.warning("%s %s: %s", entry.vat or system.SYSTEM, entry.alarm, entry.text)
    return orphaned


def waiting_events(store: Store, channel: Channel, *, at_us: int) -> list[Event]:
    """Return what a channel has not taken before that UTC; nothing that is older than a day, unless nobody has it."""
    since_us = 0 if channel.spared else at_us - DAY_US
    return queries.untaken_events(store, channel.id, since_us=since_us, undelivered=channel.spared)


def clock(store: Store, config: Config, clock: Clock, told: Told | None = None) -> Clock:
    """Return the clock with its watch time continued from where the log of any probe ends latest.

    Also of one that has left the configuration: what its vat carries is in its watch time.
    """
    now_us = clock.read().at_us
    probes = {probe.id for probe in config.probes} | {carry.probe for carry in queries.watches(store).values()}
    ends = [end for probe in probes if (end := queries.last_position(store, probe))]
    begins = [clocks.resumed_us(now_us, last_at_us=e.at_us, last_elapsed_us=e.elapsed_us) for e in ends]
    begins += [watch.record_us for watch in told.watches.values()] if told else []
    last_at_us = max((end.at_us for end in ends), default=now_us)
    return replace(clock, base_us=max(begins, default=0), behind_us=last_at_us if now_us < last_at_us else None)


def system_carry(store: Store, config: Config, told: Told | None = None) -> Carry:
    """Return what the watch over the system carries, as the store remembers it, with what was told of it later."""
    vat = system.vat_of(config)
    stored = queries.watches(store).get(vat.id, system.fresh())
    newest = told.watches.get(system.SYSTEM) if told else None
    states = newest.alarms if newest else {}
    later = {name: state for name, state in states.items() if _order(state) > _order(stored.alarms.get(name))}
    return kept(vat, replace(stored, alarms={**stored.alarms, **later}))


def _order(state: AlarmState | None) -> tuple[int, int, int]:
    return (state.occurrence, state.since_at_us, state.reminders) if state else (-1, 0, 0)


def with_told(target: WatchedProbe, told: Told) -> WatchedProbe:
    """Return a watch with what was told of its alarms after its newest record in the store."""
    found, carry = told.watches.get(target.watch.vat.id), target.state.carry
    if found is None or found.probe != carry.probe or found.record_us <= (carry.reported.record_us or 0):
        return target
    carry = kept(target.watch.vat, replace(carry, alarms={**carry.alarms, **found.alarms}))
    return replace(target, state=replace(target.state, carry=carry), seq=max(target.seq, found.seq))


def watched(store: Store, config: Config, vat: VatConfig) -> WatchedProbe:
    """Return the watch over a vat as the store remembers it."""
    watch = Watch(vat=vat, probe=config.probe(vat.probe))
    end = queries.last_position(store, vat.probe)
    state = queries.load_watch(store, vat.id, vat.probe, recent=pipeline.recent_rows(watch)) or pipeline.fresh(watch)
    return WatchedProbe(watch, replace(state, carry=kept(vat, state.carry)), end.seq if end else 0)


def remember(work: UnitOfWork, config: Config, states: Mapping[str, tuple[WatchState, int]], own: Carry) -> None:
    """Store what the watches and the system carry."""
    for vat in config.vats:
        work.remember(vat.id, states[vat.probe][0].carry)
    work.remember(system.SYSTEM, own)


def answerable(store: Store, waiting: Iterable[CycleResult]) -> list[CycleResult]:
    """Return what was not stored yet, without answers to commands that do not wait in this store."""
    asked = {command.id for command in queries.pending(store)}

    def known(answers: Iterable[Answer]) -> tuple[Answer, ...]:
        return tuple(answer for answer in answers if answer.command < 0 or answer.command in asked)

    return [
        replace(
            batch,
            answers=[*known(batch.answers)],
            outcomes=[replace(outcome, answers=known(outcome.answers)) for outcome in batch.outcomes],
        )
        for batch in waiting
    ]
