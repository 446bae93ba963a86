"""Modbus over real terminals and sockets: our simulator, another library's server, and wires that disturb."""

import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from logger.config import ProbeConfig, Protocol
from logger.config.modbus import ModbusConfig, NumberType, RegisterConfig, StatusConfig, WordOrder
from logger.model import Indication, Reason
from logger.probe.reader import Reader, readers
from simulator.instrument import Reading
from tests.parts.simulator import Start
from tests.probe.bus import served, timed, told_mv

FLOATS = {"potential": RegisterConfig(number=0), "temperature": RegisterConfig(number=2)}
RTU, TCP = ["--protocol", "modbus-rtu"], ["--protocol", "modbus-tcp"]


def probe_at(
    port: str,
    address: int = 1,
    *,
    protocol: Protocol = Protocol.MODBUS_RTU,
    timeout_s: float = 1.0,
    **more: Any,  # noqa: ANN401 - the fields of ModbusConfig
) -> ProbeConfig:
    modbus = ModbusConfig(address=address, **{**FLOATS, **more})
    return ProbeConfig(id=f"p{address}", port=port, protocol=protocol, timeout_s=timeout_s, modbus=modbus)


@contextmanager
def opened(*probes: ProbeConfig, simulated: bool = True) -> Iterator[list[Reader]]:
    (line,) = readers(probes, simulated=simulated)
    try:
        yield line
    finally:
        line[0].close()


def polled(reader: Reader, count: int) -> list[Indication]:
    return [reader.read(at_us=0, elapsed_us=number * 60_000_000) for number in range(count)]


def reasons(reader: Reader, count: int) -> Counter[Reason]:
    return Counter(each.reason for each in polled(reader, count))


@pytest.mark.parametrize("tcp", [False, True])
def test_instruments_with_addresses_are_read_over_one_terminal_or_one_socket(simulator: Start, *, tcp: bool) -> None:
    port = simulator("normal-night", extra=[*RTU, "--address", "1", "--address", "2"], tcp=tcp).port
    with opened(probe_at(port, 1), probe_at(port, 2)) as line:
        for reader in line:
            got = polled(reader, 10)
            assert Counter(each.reason for each in got) == {Reason.NONE: 10}
            assert all(50 < (each.potential_mv or 0) < 150 for each in got)
            assert all(15 < (each.temperature_c or 0) < 25 for each in got)
        assert [reader.identity for reader in line] == [
            f"VATVIGIL,SIMULATED ELECTRODE SIM0001-{number},0.1.0" for number in (1, 2)
        ]


def test_modbus_tcp_is_read_and_a_silent_address_costs_only_its_own_time_limit(simulator: Start) -> None:
    port = simulator("normal-night", extra=[*TCP, "--address", "5"], tcp=True).port
    probes = [probe_at(port, number, protocol=Protocol.MODBUS_TCP, timeout_s=0.3) for number in (5, 6)]
    with opened(*probes) as line:
        began = time.monotonic()
        got = [polled(reader, 3)[-1].reason for reader in line]
        took_s = time.monotonic() - began
    assert got == [Reason.NONE, Reason.TIMEOUT]
    assert took_s < 2.0  # two requests to the silent one, then it rests


MAPS = [
    pytest.param({}, id="floats"),
    pytest.param({"potential": RegisterConfig(number=20, word_order=WordOrder.LOW_FIRST)}, id="low-word-first"),
    pytest.param({"potential": RegisterConfig(number=10, type=NumberType.INT16, scale=0.1)}, id="tenths"),
    pytest.param({"function": 4}, id="input-registers"),
    pytest.param({"status": StatusConfig(number=6, bits=(0, 1))}, id="status"),
    pytest.param({"identify": False}, id="unidentified"),
    # an ideal electrode's potential comes back from the instrument's own pH, to a thousandth of pH
    pytest.param({"potential": None, "ph": RegisterConfig(number=4)}, id="own-ph"),
]


@pytest.mark.parametrize("more", MAPS)
def test_the_same_potential_is_read_whatever_registers_hold_it(tmp_path: Path, more: dict[str, Any]) -> None:
    with served(tmp_path) as port, opened(probe_at(port, **more)) as line:
        (read,) = polled(line[0], 1)
    assert read.reason is Reason.NONE
    assert read.potential_mv == pytest.approx(171.2, abs=0.06)


INFINITE, NAN = float("inf"), float("nan")
FAULTS = [
    (Reading(0.17, NAN), {}, Reason.NONE, "the instrument has no value (temperature)"),
    (Reading(INFINITE, 20.0), {}, Reason.OVERRANGE, "the instrument reports overrange (potential)"),
    (
        Reading(INFINITE, 20.0),
        {"status": StatusConfig(number=6, bits=(0,))},
        Reason.INSTRUMENT_ERROR,
        "status bits [0]",
    ),
    (None, {}, Reason.INSTRUMENT_ERROR, "SERVER DEVICE FAILURE"),
]


@pytest.mark.parametrize(("reading", "more", "reason", "text"), FAULTS)
def test_a_fault_of_the_sensor_is_told_by_its_reason(
    tmp_path: Path, reading: Reading | None, more: dict[str, Any], reason: Reason, text: str
) -> None:
    with served(tmp_path, measure=lambda: reading) as port, opened(probe_at(port, **more)) as line:
        assert [each.reason for each in polled(line[0], 2)] == [reason] * 2
        assert text in line[0].detail


REFUSALS = [
    pytest.param([], {"potential": RegisterConfig(number=40)}, "ILLEGAL DATA ADDRESS", id="no-such-register"),
    pytest.param([], {"potential": RegisterConfig(number=20)}, "the order of words", id="wrong-word-order"),
    pytest.param([], {"address": 3}, "no reply within", id="wrong-address"),
    pytest.param(["impostor"], {}, "address 2 answers in its place", id="answers-for-another"),
    pytest.param(["checksum"], {}, "wrong checksum", id="checksum"),
    pytest.param(["stuck"], {}, "is the beginning of no reply", id="stuck"),
    pytest.param(["dead", "echo"], {}, "own echo", id="echo-alone"),
]


@pytest.mark.parametrize(("kinds", "more", "text"), REFUSALS)
def test_what_is_wrong_with_a_line_is_named(tmp_path: Path, kinds: list[str], more: dict[str, Any], text: str) -> None:
    more = {"address": 1, **more}
    with served(tmp_path, *kinds) as port, opened(probe_at(port, timeout_s=0.2, **more)) as line:
        read = line[0].read(at_us=0, elapsed_us=0)
        assert (read.potential_mv, text in line[0].detail) == (None, True), line[0].detail


def test_an_address_that_answers_for_another_is_told_of_until_something_else_is_asked(tmp_path: Path) -> None:
    with served(tmp_path, "impostor") as port, opened(probe_at(port, timeout_s=0.1)) as line:
        assert reasons(line[0], 3) == {Reason.WRONG_INSTRUMENT: 3}


def test_an_echoing_adapter_is_read_like_any_other(tmp_path: Path) -> None:
    with served(tmp_path, "echo") as port, opened(probe_at(port)) as line:
        assert reasons(line[0], 10) == {Reason.NONE: 10}


def test_a_simulated_instrument_is_refused_where_a_real_one_is_configured(tmp_path: Path) -> None:
    with served(tmp_path) as port, opened(probe_at(port), simulated=False) as line:
        assert reasons(line[0], 2) == {Reason.WRONG_INSTRUMENT: 2}
        assert "a simulated instrument answers" in line[0].detail


def ticks_of_their_own(port: str, count: int, *, timeout_s: float, identify: bool = True, every_s: float = 0.0) -> int:
    """Read so often; every value must have been measured in its own tick. Return how many there were."""
    read = 0
    with opened(probe_at(port, timeout_s=timeout_s, identify=identify)) as line:
        for number in range(count):
            time.sleep(every_s)
            before_s = time.monotonic()
            got = line[0].read(at_us=0, elapsed_us=number * 60_000_000)
            if got.potential_mv is not None:
                read += 1
                assert told_mv(before_s) - 1e-3 <= got.potential_mv <= told_mv(time.monotonic()) + 1e-3
    return read


WIRE_FAULTS = ["dropped:0.3", "doubled:0.3", "noise:0.3", "partial:0.3", "checksum:0.3", "collision:0.3"]


@pytest.mark.parametrize("kind", WIRE_FAULTS)
def test_whatever_the_wire_does_only_values_of_their_own_tick_are_read(tmp_path: Path, kind: str) -> None:
    with served(tmp_path, kind, measure=timed) as port:
        assert ticks_of_their_own(port, 25, timeout_s=0.05) > 0


def test_a_late_value_is_never_taken_for_one_of_a_later_tick(tmp_path: Path) -> None:
    # a slow reply is late by up to 1 s; the instrument is given up after five time limits
    with served(tmp_path, "slow:0.3", measure=timed) as port:
        assert ticks_of_their_own(port, 15, timeout_s=0.21) > 0


def test_an_instrument_that_never_says_who_it_is_is_left_in_silence_after_a_lost_reply(tmp_path: Path) -> None:
    with served(tmp_path, "slow:0.4", measure=timed) as port:
        assert ticks_of_their_own(port, 60, timeout_s=0.21, identify=False, every_s=0.05) > 0


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("identify", [True, False])
def test_in_hundreds_of_ticks_of_lateness_and_loss_no_value_is_of_another_tick(
    tmp_path: Path, *, identify: bool
) -> None:
    with served(tmp_path, "slow:0.2", "dropped:0.1", "doubled:0.1", measure=timed) as port:
        assert ticks_of_their_own(port, 300, timeout_s=0.21, identify=identify, every_s=0.05) > 30


@pytest.fixture
def other_library() -> Iterator[Callable[[str], str]]:
    processes: list[subprocess.Popen[str]] = []

    def start(framing: str) -> str:
        command = [sys.executable, str(Path(__file__).parent / "modbus_server.py"), framing]
        processes.append(subprocess.Popen(command, stdout=subprocess.PIPE, text=True))
        output = processes[-1].stdout
        assert output is not None
        return f"socket://127.0.0.1:{output.readline().strip()}"

    yield start
    for process in processes:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


@pytest.mark.parametrize(("framing", "protocol"), [("rtu", Protocol.MODBUS_RTU), ("socket", Protocol.MODBUS_TCP)])
def test_a_server_of_another_library_is_read(
    other_library: Callable[[str], str], framing: str, protocol: Protocol
) -> None:
    port = other_library(framing)
    whole: dict[str, Any] = {
        "potential": RegisterConfig(number=10, type=NumberType.INT16, scale=0.1),
        "temperature": RegisterConfig(number=11, type=NumberType.INT16, scale=0.01),
    }
    probes = [probe_at(port, 1, protocol=protocol), probe_at(port, 7, protocol=protocol, **whole)]
    with opened(*probes, simulated=False) as line:
        got = [[each.potential_mv, each.temperature_c] for reader in line for each in polled(reader, 3)]
    assert got[:3] == [[171.25, 20.125]] * 3
    for pair in got[3:]:
        assert pair == pytest.approx([171.2, 20.1])


def test_a_server_of_another_library_refuses_what_it_does_not_have(other_library: Callable[[str], str]) -> None:
    port = other_library("socket")
    absent = probe_at(port, protocol=Protocol.MODBUS_TCP, potential=RegisterConfig(number=90))
    with opened(absent, simulated=False) as line:
        assert reasons(line[0], 2) == {Reason.INSTRUMENT_ERROR: 2}
        assert "ILLEGAL DATA ADDRESS" in line[0].detail
