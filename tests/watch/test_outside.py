"""Whatever comes from outside is done or refused: no message and no row of the inbox ends the watch, now or later."""

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger import settings
from logger.config import Config, MqttConfig
from logger.model import Carry, CheckKind, Command, CommandKind, Entry, Mark, WatchState
from logger.mqtt.command_forms import COMMANDS
from logger.mqtt.inbound import Inbound
from logger.mqtt.messages import Incoming, Receipt
from logger.mqtt.rate_limit import RateLimit
from logger.mqtt.topics import Topics
from logger.store import parts, rows
from logger.store.queries import read_inbox_row
from logger.structs import replace
from logger.watch import pipeline, system
from logger.watch.pipeline import Watch
from tests.series import EPOCH_US, calibration, of_ph

EXAMPLE = Path(__file__).parents[2] / "config_examples" / "simulator.toml"
FEW, MANY = 600, 100_000
AT_ONCE = 20
"""Commands before one record."""
NASTY: tuple[Any, ...] = (
    *(
        None,
        True,
        "",
        "0",
        "nan",
        "x",
        "x" * 5000,
        "\x1b[2J\n\u202e",
        "\0",
        "\ud800",
        "[" * 3000,
        "{}",
        "[]",
        "[1]",
        b"\xff",
    ),
    *(0, -1, 1, 3, 2**31, 2**53, 2**63 - 1, -(2**63), 10**30, 0.0, -0.0, 1e-300, 1e9, 1e18, 1e308, -1e308),
    *(float("nan"), float("inf"), float("-inf")),
)
BYTES = (
    b"\0",
    b"\xff\xfe",
    b"\x1b[2J",
    b"\n",
    b'"',
    b"{",
    b"}",
    b"[" * 3000,
    b"1e999",
    b"-",
    b"9" * 400,
    b"null",
    b"\xed\xa0\x80",
)


@dataclass(slots=True)
class Watched:
    """A watch over the vat of the example, and what has been heard of it."""

    config: Config = field(default_factory=lambda: replace(settings.load(EXAMPLE, environ={}), mqtt=MqttConfig()))
    done: int = 0
    answered: int = 0
    refused: int = 0
    state: WatchState = field(init=False)
    watch: Watch = field(init=False)
    own: Carry = field(default_factory=system.fresh)

    def __post_init__(self) -> None:
        vat = self.config.vats[0]
        self.watch = Watch(vat=vat, probe=self.config.probe(vat.probe))
        self.state = pipeline.fresh(self.watch)

    def step(self, commands: list[Command]) -> None:
        """Make the next record, after these commands; what it leaves can be stored and read back."""
        self.done += 1
        seq, vat = self.done, self.watch.vat.id
        every_s = self.watch.probe.poll_s
        block = of_ph([4.5 + 0.2 * (seq % 7 == 0)], start_s=seq * every_s, first_seq=seq)
        mine = [replace(c, seq=seq) for c in commands if c.vat == vat or (not c.vat and c.probe == self.watch.probe.id)]
        self.state, outcome = pipeline.step(self.watch, self.state, block, commands=mine)
        rows.measurement_rows(outcome, 1)
        assert len(outcome.answers) == len(mine)
        facts = system.SystemFacts(at_us=int(block.at_us[0]), elapsed_us=int(block.elapsed_us[0]))
        asked = [c for c in commands if c.vat == system.SYSTEM]
        self.own, entries, answers = system.step(system.vat_of(self.config), self.own, facts, asked)
        assert len(answers) == len(asked)
        for entry in (*outcome.entries, *entries):
            assert len(rows.entry_row(entry)["text"]) < 2000
        for name, carry in ((vat, outcome.carry), (system.SYSTEM, self.own)):
            assert parts.decode(parts.encode(carry), vat=name, where="it") == carry
        self.answered += len(mine) + len(asked)
        self.refused += sum(not answer.applied for answer in (*outcome.answers, *answers))

    def restart(self) -> None:
        """Begin anew with what is stored."""
        carry = parts.decode(parts.encode(self.state.carry), vat="it", where="it")
        self.state = replace(self.state, carry=carry)


def mutated(text: bytes, by: random.Random) -> bytes:
    """Return bytes that somebody has spoilt in a place or two."""
    for _ in range(by.choice((0, 1, 1, 2, 3))):
        at, piece = by.randint(0, len(text)), by.choice(BYTES)
        text = by.choice((text[:at] + piece + text[at:], text[:at] + piece + text[at + 1 :], text[:at], text[at:]))
    return text


def messages(config: Config, by: random.Random) -> Iterator[Incoming]:
    """Yield messages on command topics, and near them."""
    topics = Topics.of(config.mqtt, simulated=False) if config.mqtt else pytest.fail("the example has a broker")
    vats = [*config.vats, system.vat_of(config)]
    for number in iter(int, 1):
        vat, row = by.choice(vats), by.choice(COMMANDS)
        topic = topics.command_root + row.topic.partition("command/")[2]
        topic = topic.replace("<vat>", vat.id).replace("<alarm>", by.choice(vat.alarms).id)
        if by.random() < 0.1:
            topic = mutated(topic.encode(), by).decode(errors="replace")
        payload = by.choice((row.example.partition(" or ")[0].encode(), *SPELT, *(mark.encode() for mark in Mark)))
        for key in (b'"minutes":', b'"occurrence":', b'"ph":', b'"litres":', b'"hours_ago":', b'"u":'):
            if key in payload and by.random() < 0.5:
                value = repr(by.choice([value for value in NASTY if isinstance(value, int | float)])).encode()
                payload = payload.partition(key)[0] + key + value + b"}"
        yield Incoming(topic, mutated(payload, by), by.random() < 0.02, Receipt(number or by.randint(1, 65535), 1))


SPELT = (
    b'{"mark":"started","hours_ago":2}',
    b'{"mark":"topped-up","litres":4,"minutes":5}',
    b'{"occurrence":1,"at":"2026-11-24T18:00:00Z"}',
    b'{"occurrence":1,"at":"9999-12-31T23:59:59-23:59"}',
    b'{"minutes":30,"occurrence":1}',
    b'{"ph":4.71,"u":0.05,"instrument":"meter"}',
    b"4.5",
    b"1",
    "weights pushed down \u200d \u202e".encode(),
)


def inbox_rows(config: Config, by: random.Random) -> Iterator[tuple[Mapping[str, Any], Any, Any]]:
    """Yield rows of the inbox with their calibration and check, a value or two of which is wrong."""
    vat = config.vats[0]
    line = rows.calibration_row(replace(calibration(), probe=vat.probe), accepted=True)
    check = {
        **dict.fromkeys(("vat", "buffer", "lot", "instrument", "electrode", "by", "note"), ""),
        "id": 1,
        "probe": vat.probe,
        "at_us": EPOCH_US,
        "kind": CheckKind.SPOT.value,
        "reference_ph": 4.5,
        "u_reference_ph": 0.05,
        "reading_ph": 4.52,
        "deviation_ph": 0.02,
        "tolerance_ph": 0.1,
        "passed": True,
        "calibration": 1,
        "potential_mv": 140.0,
        "temperature_c": 20.0,
    }
    for number in iter(int, 1):
        kind, names = by.choice(list(CommandKind)), [*(alarm.id for alarm in vat.alarms), "none"]
        row = {
            "id": number + 1,
            "at_us": EPOCH_US,
            "kind": kind.value,
            "alarm": by.choice(names),
            "occurrence": 1,
            "vat": by.choice((vat.id, "", system.SYSTEM)),
            "probe": vat.probe,
            "duration_s": 3600.0,
            "litres": 2.0,
            "by": "hand",
            "note": by.choice((*Mark, "all is well")),
            "delivery": "",
            "consumed_seq": None,
        }
        yield spoilt(row, by), spoilt({**line, "id": 1}, by), spoilt(check, by)


def spoilt(row: Mapping[str, Any], by: random.Random) -> Mapping[str, Any]:
    changes = {by.choice([*row]): by.choice(NASTY) for _ in range(by.choice((0, 0, 1, 2)))}
    return {**row, **{name: value for name, value in changes.items() if name != "id"}}


def by_mqtt(watched: Watched, by: random.Random) -> Callable[[], Command | None]:
    made = messages(watched.config, by)
    assert watched.config.mqtt is not None
    inbound = Inbound(config=watched.config, topics=Topics.of(watched.config.mqtt, simulated=False))

    def next_command() -> Command | None:
        inbound.rate_limit = RateLimit()
        states = {watched.watch.vat.id: watched.state, system.SYSTEM: replace(watched.state, carry=watched.own)}
        at_us = EPOCH_US + round(watched.done * watched.watch.probe.poll_s * 1e6)
        asked = inbound.receive(next(made), states, at_us=at_us, now_us=0)
        inbound.take_held(), inbound.take_free()
        for entry in asked:
            if isinstance(entry, Entry):
                rows.entry_row(entry)
            else:
                rows.check_storable(entry)
        for command in asked:
            if isinstance(command, Command):
                return replace(command, check=command.check and replace(command.check, id=1))
        return None

    return next_command


def by_inbox(watched: Watched, by: random.Random) -> Callable[[], Command | None]:
    made = inbox_rows(watched.config, by)

    def next_command() -> Command | None:
        row, line, check = next(made)
        has_line = row["kind"] == CommandKind.CALIBRATE or by.random() < 0.1
        has_check = row["kind"] == CommandKind.CHECK or by.random() < 0.1
        read = read_inbox_row(row, line if has_line else None, check if has_check else None)
        return read if isinstance(read, Command) else None

    return next_command


@pytest.mark.parametrize("count", [FEW, pytest.param(MANY, marks=[pytest.mark.slow, pytest.mark.timeout(1800)])])
@pytest.mark.parametrize("way", [by_mqtt, by_inbox])
def test_spoilt_commands_are_done_or_refused_and_what_they_leave_can_be_read(
    way: Callable[[Watched, random.Random], Callable[[], Command | None]], count: int
) -> None:
    by = random.Random(7)  # noqa: S311 - the same each time
    watched = Watched()
    watched.step([Command(id=1, at_us=EPOCH_US, kind=CommandKind.CALIBRATE, vat="", probe=watched.watch.probe.id,
                          calibration=replace(calibration(), probe=watched.watch.probe.id))])  # fmt: skip
    next_command = way(watched, by)
    for _ in range(count // AT_ONCE):
        watched.step([command for _ in range(AT_ONCE) if (command := next_command()) is not None])
        if watched.done % 50 == 0:
            watched.restart()
    assert watched.answered > count / 20
    assert 0 < watched.refused < watched.answered
    assert np.isfinite(watched.state.recent.ph[-1])
