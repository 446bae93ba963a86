"""The system's own alarms: facts with times in, entries of the same state table out."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from logger.config import AlarmConfig, AlarmKind, Config, MqttConfig, Priority, Simulation, SystemConfig
from logger.model import Answer, Carry, Cause, Command, CommandKind, Entry, State
from logger.structs import replace
from logger.watch import system
from logger.watch.system import SYSTEM, SystemFacts
from tests.daemon.factories import SECOND_US, config_of
from tests.series import EPOCH_US, restored

AWAY = "The broker hub:1883 is down: start it."
SHARED = "another store sends below 'vatvigil'"
WELL = SystemFacts(at_us=0, elapsed_us=0)
Told = tuple[int, str, Cause, int | None]


def configured(**more: object) -> Config:
    return config_of(Path("/nowhere"), mqtt=MqttConfig(), **more)


@dataclass(slots=True)
class Story:
    """The system's watch over seconds that are told."""

    config: Config = field(default_factory=configured)
    carry: Carry = field(default_factory=system.fresh)
    second: int = 0
    entries: list[Entry] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)

    def goes_on(self, seconds: int, facts: SystemFacts = WELL, *commands: Command) -> list[Told]:
        """Let so many seconds pass with these facts; return what was said in them."""
        vat, before = system.vat_of(self.config), len(self.entries)
        for number in range(seconds):
            at_us = self.second * SECOND_US
            now = replace(facts, at_us=EPOCH_US + at_us, elapsed_us=at_us)
            asked = commands if number == 0 else ()
            self.carry, entries, answers = system.step(vat, self.carry, now, asked)
            self.entries += entries
            self.answers += answers
            self.second += 1
        return told(self.entries[before:])


def told(entries: Sequence[Entry]) -> list[Told]:
    assert all(entry.vat == "" and entry.seq == 0 for entry in entries)
    return [((e.at_us - EPOCH_US) // SECOND_US, e.alarm, e.cause, e.occurrence) for e in entries]


def command(kind: CommandKind, alarm: str, **more: object) -> Command:
    return Command(id=7, at_us=0, kind=kind, vat=SYSTEM, alarm=alarm, by="tova", **more)  # type: ignore[arg-type] # fields of Command


def test_a_broker_away_for_its_whole_delay_annunciates_once_and_returns_when_it_is_back() -> None:
    story, away = Story(), replace(WELL, broker=AWAY)
    assert story.goes_on(5) == []
    assert story.goes_on(60, away) == []  # from second 5 to 64: one short of 60 s
    assert story.goes_on(600, away) == [(65, "broker-away", Cause.ANNUNCIATED, 1)]
    assert story.entries[-1].text == f"The broker is away, so no alarm reaches the hub: {AWAY}"
    assert story.goes_on(100) == [(665, "broker-away", Cause.RETURNED, 1)]
    assert story.carry.alarms["broker-away"].shown is State.RETURNED


def test_a_restart_in_between_restores_the_alarm_and_repeats_nothing() -> None:
    story, away = Story(), replace(WELL, broker=AWAY)
    story.goes_on(100, away)
    story.carry = restored(story.carry)
    story.second += 500
    assert story.goes_on(200, away) == []
    assert [cause for _, _, cause, _ in story.goes_on(1)] == [Cause.RETURNED]


def test_another_store_at_the_broker_is_told_with_what_to_set_and_returns_once_it_is_silent() -> None:
    story, shared = Story(), replace(WELL, shared=SHARED)
    assert story.goes_on(60, replace(WELL, shared=None)) == []  # nobody has listened for long enough yet
    assert story.goes_on(10, shared) == [(60, "broker-shared", Cause.ANNUNCIATED, 1)]
    assert story.entries[-1].priority is Priority.HIGH
    assert story.entries[-1].text == f"Two watches are in each other's way at the broker: {SHARED}"
    assert story.goes_on(100, replace(WELL, shared=None)) == []
    assert story.goes_on(10) == [(170, "broker-shared", Cause.RETURNED, 1)]


def test_while_the_broker_is_away_what_waits_for_it_is_no_second_alarm() -> None:
    story = Story()
    told = story.goes_on(800, replace(WELL, broker=AWAY, waiting=9))
    assert [(alarm, cause) for _, alarm, cause, _ in told] == [("broker-away", Cause.ANNUNCIATED)]


def test_events_that_a_present_broker_does_not_take_annunciate() -> None:
    story = Story()
    facts = replace(WELL, waiting=2, refused="The broker refuses messages on x: not authorized.")
    assert story.goes_on(602, facts) == [(600, "outbox-age", Cause.ANNUNCIATED, 1)]
    assert story.entries[-1].text == (
        "Events wait that the broker does not accept: 2 wait. The broker refuses messages on x: not authorized."
    )
    assert story.goes_on(1) == [(602, "outbox-age", Cause.RETURNED, 1)]


def test_a_disk_returns_only_past_its_deadband_and_says_nothing_before_it_was_looked_at() -> None:
    story = Story()
    assert story.goes_on(1, replace(WELL, disk="only 3 MB are free")) == [(0, "disk-low", Cause.ANNUNCIATED, 1)]
    assert story.goes_on(10, replace(WELL, disk=None)) == []
    assert story.goes_on(10, replace(WELL, disk_in_deadband=True)) == []
    assert story.goes_on(1) == [(21, "disk-low", Cause.RETURNED, 1)]


def test_each_step_of_the_clock_is_an_occurrence_that_waits_for_a_person() -> None:
    story, stepped = Story(), replace(WELL, stepped_s=-3600.0)
    both = [(0, "clock-stepped", Cause.ANNUNCIATED, 1), (0, "clock-stepped", Cause.RETURNED, 1)]
    assert story.goes_on(1, stepped) == both
    assert story.carry.alarms["clock-stepped"].shown is State.RETURNED
    assert [(cause, n) for _, _, cause, n in story.goes_on(1, stepped)] == [(Cause.ANNUNCIATED, 2), (Cause.RETURNED, 2)]
    acknowledge = command(CommandKind.ACKNOWLEDGE, "clock-stepped", occurrence=2)
    assert story.goes_on(1, WELL, acknowledge) == [(2, "clock-stepped", Cause.ACKNOWLEDGED, 2)]
    assert story.carry.alarms["clock-stepped"].shown is State.NORMAL
    assert (story.entries[-1].by, story.answers[-1].applied) == ("tova", True)


def test_a_late_acknowledgement_of_an_earlier_occurrence_is_refused() -> None:
    story, stepped = Story(), replace(WELL, stepped_s=60.0)
    story.goes_on(2, stepped)
    late = command(CommandKind.ACKNOWLEDGE, "clock-stepped", occurrence=1)
    assert [cause for _, _, cause, _ in story.goes_on(1, WELL, late)] == [Cause.REFUSED]
    assert story.answers[-1].text == "occurrence 1 of clock-stepped is not the present one, which is 2"


def test_what_is_asked_of_a_vat_alone_is_refused() -> None:
    story = Story()
    story.goes_on(1, WELL, Command(id=7, at_us=0, kind=CommandKind.MARK, vat=SYSTEM, note="probe-out"))
    assert [(a.applied, a.text) for a in story.answers] == [(False, "'mark' is nothing to ask of the system")]


def test_a_store_that_takes_nothing_reminds_until_somebody_shelves_it() -> None:
    story, full = Story(), replace(WELL, store="the disk is full: free some space")
    told = story.goes_on(1000, full)
    assert told == [
        (10, "store-unwritable", Cause.ANNUNCIATED, 1),
        (910, "store-unwritable", Cause.REMINDER, 1),
    ]
    assert all("the disk is full: free some space" in entry.text for entry in story.entries)
    shelve = command(CommandKind.SHELVE, "store-unwritable", duration_s=600.0)
    assert [cause for _, _, cause, _ in story.goes_on(599, full, shelve)] == [Cause.SHELVED]
    assert story.goes_on(2, full) == [(1600, "store-unwritable", Cause.SHELF_EXPIRED, 2)]


OF_A_FILE = ("disk-low", "store-renewed")


@pytest.mark.parametrize(
    ("config", "expected"),
    [
        (configured(), list(system.KINDS)),
        (config_of(Path("/nowhere")), ["disk-low", "clock-stepped", "store-unwritable", "store-renewed"]),
        (
            replace(configured(), store_url="postgresql://db/x"),
            [k for k in system.KINDS if k not in OF_A_FILE],
        ),
    ],
    ids=["file and broker", "no broker", "a server's store"],
)
def test_only_what_can_be_judged_here_is_an_alarm(config: Config, expected: list[str]) -> None:
    assert [alarm.id for alarm in system.vat_of(config).alarms] == [str(kind) for kind in expected]


def test_in_accelerated_time_the_delays_stay_real() -> None:
    # time-outs of serial and broker stay real
    tuned = AlarmConfig(id="broker-away", kind=AlarmKind.BROKER_AWAY, on_delay_s=30.0, priority=Priority.MEDIUM)
    config = configured(simulation=Simulation(speed=100.0), system=SystemConfig(alarms=(tuned,)))
    (away,) = [alarm for alarm in system.vat_of(config).alarms if alarm.id == "broker-away"]
    assert (away.on_delay_s, away.priority) == (3000.0, Priority.MEDIUM)
