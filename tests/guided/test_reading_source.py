"""Where readings come from: a real port, and a store that a daemon's own cycles fill."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import serial

from logger.config import ProbeConfig
from logger.daemon import clock as clocks
from logger.errors import RefusedError
from logger.guided.reading_source import AbsentError, DaemonReadings, PortReadings
from logger.model import CommandKind
from logger.probe.reader import reader
from logger.store import Store, queries
from logger.structs import replace
from tests.cli.cli_fixture import House, Watching, now_us
from tests.parts.simulator import Start

if TYPE_CHECKING:
    from logger.guided.immersion import ProbeReading


def direct(port: str, **more: object) -> PortReadings:
    probe = replace(ProbeConfig(id="marrow-probe", port=port, timeout_s=1.0), **more)  # type: ignore[arg-type]
    return PortReadings(reader=reader(probe, simulated=True), clock=clocks.of(None))


def test_the_port_itself_is_read_once_a_second(simulator: Start) -> None:
    with direct(simulator("quiet-night").port) as source:
        read: list[ProbeReading] = []
        looks = 0
        while len(read) < 3:
            read += source.readings()
            looks += 1
            threading.Event().wait(0.02)
    assert read[0].potential_mv == pytest.approx(190.0, abs=15.0)
    assert read[2].elapsed_us - read[0].elapsed_us > 900_000  # two seconds; the first may be late on a busy machine
    assert looks > 20


def test_a_port_that_another_program_holds_is_refused(simulator: Start) -> None:
    port = simulator("quiet-night").port
    with serial.Serial(port, exclusive=True), pytest.raises(RefusedError, match="another program holds the port"):
        direct(port).__enter__()


def test_a_port_that_is_not_there_and_another_instrument_are_refused(simulator: Start, tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="there is no such port"):
        direct(str(tmp_path / "absent")).__enter__()
    with pytest.raises(RefusedError, match="check the port and the cable"):
        direct(simulator("quiet-night").port, identity="N-99").__enter__()


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(folder=tmp_path)


def daemon(house: House, store: Store) -> DaemonReadings:
    config = house.config
    probe = replace(config.probes[0], poll_s=0.5)  # it is not waited for longer than the tests' daemon takes
    return DaemonReadings(store=store, vat=config.vats[0], probe=probe, clock=clocks.of(None), by="tova")


@contextmanager
def reading(house: House) -> Iterator[tuple[Store, list[float]]]:
    """Take a record every twentieth of a second, of the potential that stands last in the list."""
    potentials, stop, ready = [150.0], threading.Event(), threading.Event()

    def go_on() -> None:
        with house.watch() as watching:
            while not stop.wait(0.05):
                watching.take([potentials[-1]], first_us=now_us())
                ready.set()

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        assert ready.wait(30)
        with Store.open(house.config.store_url, simulated=False, busy_s=10.0) as store:
            yield store, potentials
    finally:
        stop.set()
        thread.join()


def taken_causes(store: Store) -> list[str]:
    """Return the causes of what the daemon took, in order, by its journal."""
    causes = [str(entry.cause) for entry in queries.entries(store, limit=100)]
    return [cause for cause in causes if cause in ("attended", "left")]


def wait_until_left(store: Store) -> None:
    until_s = time.monotonic() + 30.0
    while "left" not in taken_causes(store):
        assert time.monotonic() < until_s, taken_causes(store)
        threading.Event().wait(0.02)


def test_the_daemon_is_asked_read_and_left(house: House) -> None:
    with reading(house) as (store, potentials):
        with daemon(house, store) as source:
            source.report_back()
            potentials.append(-77.0)
            read: list[float] = []
            while -77.0 not in read:
                read += [one.potential_mv for one in source.readings()]
                threading.Event().wait(0.02)
            (carry,) = queries.watches(store).values()
            assert carry.suppression.attended_until_us is not None
        wait_until_left(store)
        assert taken_causes(store) == ["attended", "left"]
        assert [carry.suppression.is_away for carry in queries.watches(store).values()] == [False]
    assert set(read) == {150.0, -77.0}


@pytest.mark.parametrize("error", [KeyboardInterrupt, ZeroDivisionError])
def test_whatever_ends_the_session_the_daemon_is_told(house: House, error: type[BaseException]) -> None:
    def interrupted(store: Store) -> None:
        with daemon(house, store):
            raise error

    with reading(house) as (store, _):
        with pytest.raises(error):
            interrupted(store)
        wait_until_left(store)
        assert [carry.suppression.not_back_us is None for carry in queries.watches(store).values()] == [False]


def test_work_that_was_not_begun_is_no_word_for_a_probe_that_was_away_before(house: House) -> None:
    with house.watch() as watching:
        watching.take([150.0], first_us=now_us())
    with Store.open(house.config.store_url, simulated=False, busy_s=10.0) as store:
        for _ in range(2):
            source = daemon(house, store)
            source.probe = replace(source.probe, poll_s=0.01, timeout_s=0.01)
            with pytest.raises(AbsentError):
                source.__enter__()
        waiting = [command.kind for command in queries.pending_commands(store)]
    assert waiting == [CommandKind.ATTEND, CommandKind.LEAVE, CommandKind.ATTEND, CommandKind.BREAK_OFF]


def test_the_next_daemon_hears_how_work_at_the_port_itself_ended(simulator: Start) -> None:
    heard: list[bool] = []
    port = simulator("quiet-night").port
    for says_so in (False, True):
        source = direct(port)
        source.leave = heard.append
        with source:
            if says_so:
                source.report_back()
    assert heard == [False, True]


def test_a_daemon_that_does_not_answer_is_absent_and_is_not_left_with_half_of_it(house: House) -> None:
    with house.watch() as watching:
        watching.take([150.0], first_us=now_us())
    with Store.open(house.config.store_url, simulated=False, busy_s=10.0) as store:
        source = daemon(house, store)
        source.probe = replace(source.probe, poll_s=0.01, timeout_s=0.01)
        with pytest.raises(AbsentError, match="did not answer"):
            source.__enter__()
        waiting = [command.kind for command in queries.pending_commands(store)]
    assert waiting == [CommandKind.ATTEND, CommandKind.LEAVE]
    with house.watch() as watching:
        watching.take([150.0], first_us=now_us())
        assert carried(watching) is None


def carried(watching: Watching) -> int | None:
    """Return until when the vat's probe is attended."""
    return watching.acquisition.watched["marrow-probe"].state.carry.suppression.attended_until_us
