"""The wall clock set by an hour, forth and back, while the daemon watches: delays and pacing go by the steady clock."""

import threading
import time
from pathlib import Path
from queue import Empty, SimpleQueue

import pytest

from logger.config import ProbeConfig, Simulation
from logger.daemon import clock as clocks
from logger.daemon.clock import Clock
from logger.daemon.port_threads import PortThread
from logger.daemon.system_monitor import STEPS_AN_HOUR
from logger.errors import ThreadCrash
from logger.model import Cause, Entry, Indication, Reason
from logger.probe.reader import reader
from logger.store import history, queries
from tests.daemon.factories import HIGH, SECOND_US, calibrated, config_of, run
from tests.parts.simulator import Start

HOUR_US = 3600 * SECOND_US
PH: list[float | None] = [*[4.5] * 20, *[4.7] * 100, *[4.5] * 20]


def journal(folder: Path, steps_us: dict[int, int]) -> tuple[list[Entry], list[int]]:
    folder.mkdir()
    with run(calibrated(config_of(folder, HIGH)), PH, steps_us=steps_us) as store:
        entries = queries.entries(store, limit=1000)
        (span,) = history.spans(store)
        (rows,) = history.measurements(store, span)
    return entries, rows.elapsed_us.tolist()


def moves(entries: list[Entry]) -> list[tuple[Cause, int]]:
    return [(entry.cause, entry.seq) for entry in entries if entry.alarm and entry.vat]


def steps(entries: list[Entry]) -> list[Entry]:
    return [entry for entry in entries if entry.alarm == "clock-stepped"]


@pytest.mark.parametrize("step_us", [HOUR_US, -HOUR_US], ids=["forward", "back"])
def test_a_stepped_wall_clock_shifts_no_delay_and_is_journalled_once(tmp_path: Path, step_us: int) -> None:
    plain, plain_elapsed = journal(tmp_path / "plain", {})
    stepped, stepped_elapsed = journal(tmp_path / "stepped", {50: step_us})
    # record 21 is the first at 4.7; 600 s later is 60 records later
    assert moves(plain) == [(Cause.ANNUNCIATED, 81), (Cause.RETURNED, 121)]
    assert moves(stepped) == moves(plain)
    assert stepped_elapsed == plain_elapsed
    assert [(e.cause, e.occurrence, e.priority, e.vat) for e in steps(stepped)] == [
        (Cause.ANNUNCIATED, 1, "low", ""),
        (Cause.RETURNED, 1, "low", ""),
    ]
    assert steps(stepped)[0].text == (
        f"The wall clock was stepped: {step_us / SECOND_US:+.0f} s; delays go by the steady clock"
    )
    assert steps(plain) == []


def test_steps_forth_and_back_are_journalled_each(tmp_path: Path) -> None:
    stepped, _ = journal(tmp_path / "night", {50: HOUR_US, 70: -HOUR_US})
    assert [e.occurrence for e in steps(stepped) if e.annunciates] == [1, 2]
    assert moves(stepped) == [(Cause.ANNUNCIATED, 81), (Cause.RETURNED, 121)]


def test_a_clock_that_flaps_writes_few_rows_and_its_steps_are_counted(tmp_path: Path) -> None:
    flaps = {record: HOUR_US if record % 2 else -HOUR_US for record in range(10, 90)}
    stepped, _ = journal(tmp_path / "night", {**flaps, 130: HOUR_US})
    told = [entry for entry in steps(stepped) if entry.annunciates]
    assert len(told) == STEPS_AN_HOUR
    assert moves(stepped) == [(Cause.ANNUNCIATED, 81), (Cause.RETURNED, 121)]


def test_a_step_after_an_hour_tells_how_many_were_not_told(tmp_path: Path) -> None:
    folder = tmp_path / "night"
    folder.mkdir()
    flaps = {record: HOUR_US if record % 2 else -HOUR_US for record in range(10, 30)}
    with run(config_of(folder), [4.5] * 500, steps_us={**flaps, 450: HOUR_US}) as store:
        told = [entry for entry in steps(queries.entries(store, limit=1000)) if entry.annunciates]
    assert len(told) == STEPS_AN_HOUR + 1
    assert told[-1].text.endswith(f"{len(flaps) - STEPS_AN_HOUR} steps before it were not written down")


def test_a_port_is_paced_by_steady_time_whatever_the_wall_clock_does(simulator: Start) -> None:
    port, period = simulator("quiet-night").port, 0.05
    offset_us = [0]
    clock = Clock(
        wall_us=lambda: 1_795_543_200_000_000 + time.monotonic_ns() // 1000 + offset_us[0],
        steady_us=lambda: time.monotonic_ns() // 1000,
        started_us=time.monotonic_ns() // 1000,
    )
    queue: SimpleQueue[Indication | ThreadCrash] = SimpleQueue()
    probe = ProbeConfig(id="probe", port=port, poll_s=period)
    thread = PortThread([reader(probe, simulated=True)], clock, post=queue.put)
    thread.start()
    read = []
    for jump_us in (0, HOUR_US, -2 * HOUR_US, HOUR_US):
        offset_us[0] += jump_us
        read += [queue.get(timeout=30) for _ in range(10)]
    thread.stop()
    thread.join(30)
    assert [item for item in read if isinstance(item, ThreadCrash)] == []
    elapsed = [item.elapsed_us for item in read if isinstance(item, Indication)]
    ticks = [us / SECOND_US / period for us in elapsed]
    # no tick is read twice and none early, however late the first was on a busy machine; none comes: `get` gives up
    early = [(number, tick) for number, tick in enumerate(ticks) if tick - ticks[0] < number - 1.0]
    assert early == []
    assert all(item.reason == 0 for item in read if isinstance(item, Indication))


def test_a_slow_read_skips_ticks_and_counts_them() -> None:
    class SlowLine:
        """A probe that takes three and a half periods to answer."""

        probe = ProbeConfig(id="probe", port="", poll_s=0.1)

        def read(self, *, at_us: int, elapsed_us: int) -> Indication:
            threading.Event().wait(0.35)
            return Indication(
                probe=self.probe.id,
                at_us=at_us,
                elapsed_us=elapsed_us,
                potential_mv=None,
                temperature_c=None,
                reason=Reason.TIMEOUT,
            )

        def close(self) -> None:
            pass

    queue: SimpleQueue[Indication | ThreadCrash] = SimpleQueue()
    thread = PortThread([SlowLine()], clocks.of(None), post=queue.put)  # type: ignore[list-item]
    thread.start()
    first, second = queue.get(timeout=30), queue.get(timeout=30)
    thread.stop()
    thread.join(30)
    assert isinstance(first, Indication)
    assert isinstance(second, Indication)
    assert second.elapsed_us - first.elapsed_us >= 0.35 * SECOND_US
    assert thread.skipped >= 3


def test_a_simulated_clock_shows_the_epoch_at_its_monotonic_reading() -> None:
    begins_s = time.monotonic() - 2.0
    clock = clocks.of(Simulation(speed=100.0, epoch_us=5_000, epoch_monotonic_s=begins_s))
    reading = clock.read()
    later_s = time.monotonic() - begins_s
    assert 200 * SECOND_US <= reading.at_us - 5_000 <= later_s * 100 * SECOND_US + 1
    assert clock.real_s(10.0) == 0.1


@pytest.mark.parametrize(
    ("now_us", "expected_us"), [(5_000, 1_000 + 4_000), (1_000, 1_000), (999, 1_000 + 86_400 * SECOND_US)]
)
def test_watch_time_goes_on_over_a_restart_and_never_back(now_us: int, expected_us: int) -> None:
    assert clocks.resumed_us(now_us, last_at_us=1_000, last_elapsed_us=1_000) == expected_us


def test_nothing_is_read_after_stop(simulator: Start) -> None:
    port = simulator("quiet-night").port
    queue: SimpleQueue[Indication | ThreadCrash] = SimpleQueue()
    probe = ProbeConfig(id="probe", port=port, poll_s=0.05)
    thread = PortThread([reader(probe, simulated=True)], clocks.of(None), post=queue.put)
    thread.start()
    queue.get(timeout=30)
    thread.stop()
    thread.join(30)
    while not queue.empty():
        queue.get()
    with pytest.raises(Empty):
        queue.get(timeout=0.2)
