"""The simulator as a process on a real port, seen by clients that know nothing of it."""

import json
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import pyvisa
import serial

from tests.parts.simulator import SimulatorProcess, Start

Open = Callable[[str], "pyvisa.resources.MessageBasedResource"]


@pytest.fixture
def visa() -> Iterator[Open]:
    """Return a function that opens a port with PyVISA and pyvisa-py."""
    manager = pyvisa.ResourceManager("@py")

    def open_port(port: str) -> "pyvisa.resources.MessageBasedResource":
        device = manager.open_resource(f"ASRL{port}::INSTR")
        assert isinstance(device, pyvisa.resources.MessageBasedResource)
        device.write_termination = device.read_termination = "\n"
        device.timeout = 2000
        return device

    yield open_port
    manager.close()


def at_hour(hour: float, speed: float) -> tuple[str, ...]:
    """Return the options that put run time at this hour now."""
    return ("--epoch-monotonic", str(time.monotonic() - hour * 3600 / speed))


def ask(port: serial.Serial, text: str) -> bytes:
    port.write(text.encode() + b"\n")
    return port.readline()


def wait_until(true: Callable[[], bool], *, seconds: float = 10.0) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.01)


def wait_for_next_conversion(*, speed: float) -> None:
    """Let a second of run time pass: the converter makes one conversion in it."""
    time.sleep(1.0 / speed)


def test_pyvisa_reads_identity_values_and_errors(simulator: Start, visa: Open) -> None:
    device = visa(simulator("normal-night", extra=["--serial", "N-7"]).port)
    maker, model, number, version = device.query("*IDN?").split(",")
    assert (maker, model, number) == ("VATVIGIL", "SIMULATED ELECTRODE", "N-7")
    assert version
    assert float(device.query("MEASure:VOLTage:DC?")) == pytest.approx(0.105, abs=0.01)
    assert float(device.query("MEASure:TEMPerature?")) == pytest.approx(20.3, abs=0.3)
    device.write("NONSENSE?")
    assert device.query("SYSTem:ERRor?") == '-113,"Undefined header"'
    assert device.query("SYSTem:ERRor?") == '0,"No error"'


def test_pyvisa_with_its_own_line_ends_is_understood_too(simulator: Start, visa: Open) -> None:
    device = visa(simulator("normal-night").port)
    device.write_termination = "\r\n"  # the default of pyvisa-py
    assert device.query("*OPC?") == "1"


def test_a_client_that_returns_finds_the_instrument_as_it_left_it(simulator: Start) -> None:
    port = simulator("normal-night").port
    for reply in (b"128\n", b"0\n"):
        with serial.Serial(port, timeout=2) as client:
            assert ask(client, "*ESR?") == reply


def test_tcp_answers_several_clients_each_with_its_own_errors(simulator: Start) -> None:
    address = urlsplit(simulator("normal-night", tcp=True).port)
    where = (address.hostname, address.port)
    with socket.create_connection(where, timeout=2) as one, socket.create_connection(where, timeout=2) as two:
        one.sendall(b"FOO?\nSYST:ERR?\n")
        two.sendall(b"SYST:ERR?\n")
        assert one.recv(100) == b'-113,"Undefined header"\n'
        assert two.recv(100) == b'0,"No error"\n'
    with socket.create_connection(where, timeout=2) as third:
        third.sendall(b"*OPC?\n")
        assert third.recv(100) == b"1\n"


def record(name: str, *options: str) -> dict[float, tuple[float, float]]:
    """Return a recording as {run seconds: (mV, C)}."""
    command = [sys.executable, "-P", "-m", "simulator", "record", name, *options]
    lines = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()
    rows = [record["rows"] for line in lines if "rows" in (record := json.loads(line))]
    return {
        e / 1e6: (mv, c)
        for row in rows
        for e, mv, c in zip(row["elapsed_us"], row["potential_mv"], row["temperature_c"], strict=True)
    }


def test_live_readings_are_those_of_the_recording_at_the_same_run_time(simulator: Start) -> None:
    origin = time.monotonic()
    options = ["--epoch-monotonic", str(origin)]
    port = simulator("normal-night", seed=9, speed=50.0, extra=options).port
    recorded = record("normal-night", "--seed", "9", "--poll", "1", "--hours", "0.4")
    compared = 0
    with serial.Serial(port, timeout=2) as client:
        while compared < 5 and time.monotonic() < origin + 25:
            before = (time.monotonic() - origin) * 50
            volts, celsius = (float(v) for v in ask(client, "MEAS:VOLT?;TEMP?").split(b";"))
            after = (time.monotonic() - origin) * 50
            if round(before) == round(after):  # the instrument surely meant this second
                compared += 1
                assert (volts * 1000, celsius) == pytest.approx(recorded[round(before)], abs=1e-9)
            time.sleep(0.03)
    assert compared == 5


def test_an_unplugged_port_is_gone_and_comes_back_under_its_link(simulator: Start, tmp_path: Path) -> None:
    link, speed = tmp_path / "probe", 1200.0
    started = simulator("unplugged", speed=speed, link=link, extra=at_hour(1.0, speed))
    assert started.port == str(link)
    with serial.Serial(str(link), timeout=2) as client:
        assert ask(client, "*OPC?") == b"1\n"
        wait_until(lambda: not link.is_symlink())
        with pytest.raises((serial.SerialException, OSError)):
            ask(client, "*OPC?")
    wait_until(link.exists)
    with serial.Serial(str(link), timeout=2) as client:
        assert ask(client, "*ESR?") == b"128\n"  # it lost its power with its port


@pytest.mark.slow
def test_an_unplugged_tcp_port_refuses_and_comes_back(simulator: Start) -> None:
    speed = 1200.0
    address = urlsplit(simulator("unplugged", speed=speed, tcp=True, extra=at_hour(1.0, speed)).port)
    where = (str(address.hostname), int(address.port or 0))

    def listens() -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(where) == 0

    with socket.create_connection(where, timeout=5) as client:
        assert client.recv(100) == b""
    wait_until(lambda: not listens())
    wait_until(listens)


def test_garbled_replies_are_not_ascii(simulator: Start) -> None:
    with serial.Serial(simulator("garbled", extra=at_hour(2.1, 1.0)).port, timeout=2) as client:
        reply = ask(client, "MEAS:VOLT?")
    assert (len(reply), reply.isascii()) == (14, False)


@pytest.mark.slow
def test_slow_replies_come_after_three_real_seconds(simulator: Start) -> None:
    with serial.Serial(simulator("slow", extra=at_hour(2.1, 1.0)).port, timeout=2) as client:
        assert ask(client, "*OPC?") == b""
        assert client.readline() == b"1\n"


def test_broken_sensors_answer_as_the_standard_says(simulator: Start) -> None:
    replies = {}
    for hour in (2.1, 4.1, 6.1):
        with serial.Serial(simulator("sensor-faults", extra=at_hour(hour, 1.0)).port, timeout=0.5) as client:
            replies[hour] = [ask(client, text) for text in ("MEAS:VOLT?", "MEAS:TEMP?", "SYST:ERR?")]
    assert (replies[2.1][1], replies[4.1][0]) == (b"9.91E37\n", b"9.9E37\n")
    assert replies[6.1] == [b"", b"", b'-240,"Hardware error"\n']


def test_a_frozen_instrument_repeats_itself(simulator: Start) -> None:
    with serial.Serial(simulator("frozen", speed=100.0, extra=at_hour(9.0, 100.0)).port, timeout=2) as client:
        replies = set()
        for _ in range(10):
            replies.add(ask(client, "MEAS:VOLT?;TEMP?"))
            wait_for_next_conversion(speed=100.0)
    assert len(replies) == 1


def test_a_signal_ends_it_without_leaving_its_link(simulator: Start, tmp_path: Path) -> None:
    link = tmp_path / "probe"
    process = simulator("normal-night", link=link).process
    process.terminate()
    assert process.wait(timeout=5) == 0
    assert list(tmp_path.iterdir()) == []


def test_a_link_left_by_a_killed_simulator_is_taken_over(simulator: Start, tmp_path: Path) -> None:
    link = tmp_path / "probe"
    first = simulator("normal-night", link=link).process
    first.kill()
    first.wait(timeout=5)
    assert link.is_symlink()
    with serial.Serial(simulator("normal-night", link=link).port, timeout=2) as client:
        assert ask(client, "*OPC?") == b"1\n"


def serve(*options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", "-m", "simulator", "serve", "normal-night", *options]
    return subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)


def test_a_file_in_the_way_of_the_link_stays(tmp_path: Path) -> None:
    link = tmp_path / "probe"
    link.write_text("precious")
    failed = serve("--link", str(link))
    assert failed.returncode == 1
    assert "exists and is no link to a terminal: it stays; choose another --link" in failed.stderr
    assert link.read_text() == "precious"


def test_a_tcp_port_in_use_is_a_clear_error(simulator: Start) -> None:
    taken: SimulatorProcess = simulator("normal-night", tcp=True)
    failed = serve("--tcp", taken.port.removeprefix("socket://"))
    assert failed.returncode == 1
    assert f"the port {taken.port} cannot be opened" in failed.stderr


def test_it_prints_its_port_says_that_it_is_a_simulation_and_ends_after_the_run() -> None:
    ended = serve("--hours", "0.0001", "--speed", "100")
    assert ended.stdout.startswith("port: /dev/pts/")
    assert (ended.stdout.count("\n"), ended.returncode) == (1, 0)
    assert "SIMULATION, run normal-night, seed 1, 100x, from 2026-11-24T18:00:00+00:00" in ended.stderr
