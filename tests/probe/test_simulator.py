"""A line to the bundled simulator, a process of its own, with the faults of its runs."""

import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.config import Checksum, ProbeConfig, Protocol, TextConfig
from logger.model import Indication, Reason
from logger.probe.reader import Reader, reader
from tests.parts.simulator import Start


@contextmanager
def opened(port: str, *, timeout_s: float = 2.0, simulated: bool = True, **more: object) -> Iterator[Reader]:
    probe = ProbeConfig(id="p", port=port, timeout_s=timeout_s, **more)  # type: ignore[arg-type]
    reads = reader(probe, simulated=simulated)
    try:
        yield reads
    finally:
        reads.close()


def polled(probe: Reader, count: int, *, every_s: float = 0.0) -> list[Indication]:
    got = []
    for number in range(count):
        got.append(probe.read(at_us=number, elapsed_us=number * 60_000_000))
        time.sleep(every_s)
    return got


def starting_at(hours: float) -> list[str]:
    """The options that let a run at real speed begin at that time of its own."""
    return ["--epoch-monotonic", str(time.monotonic() - hours * 3600)]


@pytest.mark.parametrize("tcp", [False, True])
def test_a_simulated_night_is_read_over_a_terminal_or_a_socket(simulator: Start, *, tcp: bool) -> None:
    with opened(simulator("normal-night", tcp=tcp).port) as probe:
        got = polled(probe, 20)
    assert Counter(each.reason for each in got) == {Reason.NONE: 20}
    # The run begins near pH 5.3, some 100 mV above the isopotential point by the Nernst slope of 58 mV at 20 C.
    assert all(50 < (each.potential_mv or 0) < 150 for each in got)
    assert all(15 < (each.temperature_c or 0) < 25 for each in got)


def test_a_simulated_instrument_is_refused_where_a_real_one_is_configured(simulator: Start) -> None:
    with opened(simulator("normal-night").port, simulated=False) as probe:
        assert [each.reason for each in polled(probe, 2)] == [Reason.WRONG_INSTRUMENT] * 2
        assert "a simulated instrument answers" in probe.detail


@pytest.mark.parametrize(
    ("run", "hours", "reason"),
    [
        ("sensor-faults", 4.1, Reason.OVERRANGE),
        ("sensor-faults", 6.1, Reason.INSTRUMENT_ERROR),
        ("sensor-faults", 3.1, Reason.NONE),
    ],
)
def test_a_fault_of_the_sensor_is_told_by_its_reason(simulator: Start, run: str, hours: float, reason: Reason) -> None:
    with opened(simulator(run, extra=starting_at(hours)).port, timeout_s=1.0) as probe:
        assert [each.reason for each in polled(probe, 3)] == [reason] * 3


@pytest.mark.slow
def test_replies_with_flipped_bits_end_no_watch_and_have_a_reason(simulator: Start) -> None:
    with opened(simulator("garbled", extra=starting_at(2.1)).port, timeout_s=0.2) as probe:
        reasons = Counter(each.reason for each in polled(probe, 30))
    assert reasons[Reason.NONE] < 30
    assert set(reasons) <= {
        Reason.NONE,
        Reason.GARBLED,
        Reason.TIMEOUT,
        Reason.INSTRUMENT_ERROR,
        Reason.WRONG_INSTRUMENT,
    }


@pytest.mark.slow
def test_replies_three_seconds_late_are_never_mixed_up(simulator: Start) -> None:
    with opened(simulator("slow", extra=starting_at(2.1)).port) as probe:
        got = polled(probe, 6)
    assert {each.reason for each in got} == {Reason.TIMEOUT}


@pytest.mark.slow
def test_an_unplugged_simulator_is_absent_and_read_again_when_it_is_back(simulator: Start, tmp_path: Path) -> None:
    # At 120 times real speed the port goes away some 12 s after the start, however slowly that goes, for 3 s.
    begin = ["--epoch-monotonic", str(time.monotonic() - 4.6 * 3600 / 120)]
    port = simulator("unplugged", speed=120, link=tmp_path / "probe", extra=begin).port
    wanted = [Reason.NONE, Reason.PORT_ABSENT, Reason.NONE]
    until = time.monotonic() + 60
    with opened(port, timeout_s=1.0) as probe:
        tick = 0
        while wanted and time.monotonic() < until:
            tick += 1
            if probe.read(at_us=tick, elapsed_us=tick * 60_000_000).reason is wanted[0]:
                wanted.pop(0)
            time.sleep(0.1)
    assert wanted == []


def test_a_killed_simulator_is_an_absent_port(simulator: Start) -> None:
    started = simulator("normal-night")
    with opened(started.port, timeout_s=2.0) as probe:
        assert polled(probe, 1)[0].reason is Reason.NONE
        started.process.kill()
        started.process.wait()
        assert [each.reason for each in polled(probe, 3)] == [Reason.PORT_ABSENT] * 3


ASKED = TextConfig(
    pattern=r"SIMULATED \w+ E=(?P<mv>\S+) mV T=(?P<temperature>\S+) C",
    example="SIMULATED SIM0001 E=+171.2 mV T=20.10 C",
    query="READ?",
)
PRINTING = TextConfig(
    pattern=r"\$(?P<checked>SIMULATED,\w+,(?P<mv>\S+) mV,(?P<temperature>\S+) C)\*(?P<checksum>[0-9A-F]{2})",
    example="$SIMULATED,SIM0001,+171.2 mV,20.10 C*75",
    checksum=Checksum.XOR_8,
)


@pytest.mark.parametrize(("style", "text"), [("asked", ASKED), ("printing", PRINTING)])
@pytest.mark.parametrize("tcp", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_the_same_electrode_is_read_behind_lines_of_text(
    simulator: Start, style: str, text: TextConfig, *, tcp: bool
) -> None:
    begin = starting_at(1.0)
    scpi = simulator("quiet-night", extra=begin).port
    lines = simulator("quiet-night", tcp=tcp, extra=[*begin, "--protocol", "text", "--style", style]).port
    with (
        opened(scpi) as by_scpi,
        opened(lines, protocol=Protocol.TEXT, text=text) as by_text,
    ):
        (first,), found = polled(by_scpi, 1), polled(by_text, 3)
    assert {each.reason for each in found} == {Reason.NONE}
    # Both stand in one vat at about pH 3.8, some 180 mV; the noise of a reading is 0.25 mV.
    assert found[-1].potential_mv == pytest.approx(first.potential_mv, abs=3)
    assert found[-1].temperature_c == pytest.approx(first.temperature_c, abs=0.5)


@pytest.mark.parametrize(
    ("run", "hours", "reason"),
    [
        ("sensor-faults", 4.1, Reason.OVERRANGE),
        pytest.param("sensor-faults", 6.1, Reason.NOT_A_NUMBER, marks=pytest.mark.slow),
        pytest.param("sensor-faults", 2.1, Reason.NONE, marks=pytest.mark.slow),
        ("garbled", 2.1, Reason.GARBLED),
    ],
)
@pytest.mark.parametrize(("style", "text"), [("asked", ASKED), ("printing", PRINTING)])
def test_a_fault_of_a_probe_of_text_lines_is_told_by_its_reason(
    simulator: Start, style: str, text: TextConfig, run: str, hours: float, reason: Reason
) -> None:
    port = simulator(run, extra=[*starting_at(hours), "--protocol", "text", "--style", style]).port
    with opened(port, protocol=Protocol.TEXT, text=text) as reads:
        found = polled(reads, 2)
    assert {(each.reason, each.temperature_c is None) for each in found} == {
        (reason, reason is not Reason.NONE or hours < 2.5)
    }
