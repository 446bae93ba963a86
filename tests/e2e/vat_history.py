"""What the store holds of a vat, and what a replay of its indications and commands gives, in one form to compare."""

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np

from logger import replay
from logger.model import Answer, Block, Carry, Command, Entry, Measurements, Outcome
from logger.store import Store, history, queries
from logger.watch.pipeline import Watch
from tests.parts.daemon import Night, Vat


@dataclass(frozen=True, slots=True, kw_only=True)
class VatHistory:
    """The measurements and the journal of one vat."""

    measurements: Measurements
    entries: list[Entry]
    answers: list[Answer]
    carry: Carry


def stored(night: Night, vat: Vat) -> VatHistory:
    """Return what the daemon stored of a vat's records."""
    with night.open(read_only=True) as store:
        (span,) = history.spans(store, vat=vat.id)
        commands = history.consumed_commands(store, span)
        answers = [queries.answer(store, command.id) for command in commands]
        return VatHistory(
            measurements=Measurements.concatenate(list(history.measurements(store, span))),
            entries=[entry for entry in queries.entries(store, limit=100_000, vat=vat.id) if entry.seq > 0],
            answers=[answer for answer in answers if answer is not None],
            carry=queries.watches(store)[vat.id],
        )


def replayed(night: Night, vat: Vat) -> VatHistory:
    """Return what a replay makes of the stored indications and consumed commands of a vat."""
    with night.open(read_only=True) as store:
        return joined(replay.replay(watch(night, vat), _items(store, vat)))


def watch(night: Night, vat: Vat) -> Watch:
    """Return the watch over a vat as it is configured."""
    config = night.config
    (configured,) = (each for each in config.vats if each.id == vat.id)
    return Watch(vat=configured, probe=config.probe(configured.probe))


def joined(outcomes: Iterable[Outcome]) -> VatHistory:
    """Return outcomes as one."""
    all_of_them = list(outcomes)
    return VatHistory(
        measurements=Measurements.concatenate([outcome.measurements for outcome in all_of_them]),
        entries=[entry for outcome in all_of_them for entry in outcome.entries],
        answers=[answer for outcome in all_of_them for answer in outcome.answers],
        carry=all_of_them[-1].carry,
    )


def _items(store: Store, vat: Vat) -> list[Block | Command]:
    (span,) = history.spans(store, vat=vat.id)
    return [*history.consumed_commands(store, span), *history.indications(store, span)]


def bits(measurements: Measurements) -> dict[str, bytes]:
    """Return each column as its bytes: equal means equal to the bit, NaN included."""
    return {field.name: np.asarray(getattr(measurements, field.name)).tobytes() for field in fields(measurements)}


def check_that_a_replay_tells_the_same(night: Night, vat: Vat) -> VatHistory:
    """Compare the store with a replay of it; return what both tell."""
    live, again = stored(night, vat), replayed(night, vat)
    assert [(e.seq, e.cause, e.alarm, e.occurrence) for e in again.entries] == [
        (e.seq, e.cause, e.alarm, e.occurrence) for e in live.entries
    ]
    assert again.entries == live.entries
    assert again.answers == live.answers
    assert bits(again.measurements) == bits(live.measurements)
    assert again.carry == live.carry
    return live
