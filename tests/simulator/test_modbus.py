"""The simulator's registers as Debian's `mbpoll` (libmodbus) reads them, and its answers byte by byte."""

import re
import shutil
import socket
import struct
import subprocess

import pytest

from simulator.instrument import Reading
from simulator.modbus import ModbusUnit, RtuBus, TcpBus, crc
from simulator.wire_faults import WireFault, WireFaultInjector, WireFaultKind, parse_wire_fault
from tests.parts.simulator import Start

NOW = Reading(0.1712, 20.1)


def mbpoll(*options: str) -> dict[int, float]:
    """Poll once; return what it prints, by register."""
    program = shutil.which("mbpoll")
    if program is None:
        pytest.skip("mbpoll not found: apt-get install mbpoll")
    ended = subprocess.run([program, "-1", "-0", *options], capture_output=True, text=True, timeout=30, check=False)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    return {
        int(number): float(value) for number, value in re.findall(r"^\[(\d+)\]:\s+(\S+)", ended.stdout, re.MULTILINE)
    }


def test_mbpoll_reads_floats_of_two_instruments_on_a_terminal(simulator: Start) -> None:
    port = simulator("quiet-night", extra=["--protocol", "modbus-rtu", "--address", "3", "--address", "4"]).port
    for address in ("3", "4"):
        rtu = ("-m", "rtu", "-b", "9600", "-P", "none", "-a", address)
        got = mbpoll(*rtu, "-r", "0", "-c", "3", "-t", "4:float", "-B", port)
        assert 170.0 < got[0] < 210.0
        assert 18.0 < got[2] < 22.0
        assert got[4] == pytest.approx(7.0 - got[0] / (0.19842 * (got[2] + 273.15)), abs=0.01)  # R ln10 / F, mV/K
        other = mbpoll(*rtu, "-r", "20", "-c", "2", "-t", "3:float", port)
        assert other[20] == pytest.approx(got[0], abs=3.0)
        assert other[22] == pytest.approx(got[2], abs=0.3)


def test_mbpoll_reads_whole_numbers_over_tcp(simulator: Start) -> None:
    port = simulator("quiet-night", tcp=True, extra=["--protocol", "modbus-tcp"]).port.rpartition(":")[2]
    got = mbpoll("-m", "tcp", "-p", port, "-a", "1", "-r", "10", "-c", "3", "-t", "3", "127.0.0.1")
    assert 1700 < got[10] < 2100
    assert 1800 < got[11] < 2200
    assert 3000 < got[12] < 4500


def rtu(pdu: bytes, *, address: int = 1) -> bytes:
    body = bytes([address]) + pdu
    return body + crc(body)


EXCHANGES = [
    # MODBUS Application Protocol V1.1b3, 7 and 6.3, from memory
    pytest.param(b"\x03\x00\x0a\x00\x02", struct.pack(">BBhh", 3, 4, 1712, 2010), id="read"),
    pytest.param(b"\x04\x00\x0a\x00\x01", struct.pack(">BBh", 4, 2, 1712), id="read-input"),
    pytest.param(b"\x03\x00\x07\x00\x01", b"\x83\x02", id="no-such-register"),
    pytest.param(b"\x03\x00\x00\x00\x00", b"\x83\x03", id="none-at-all"),
    pytest.param(b"\x03\x00\x00\x00\x7e", b"\x83\x03", id="too-many"),
    pytest.param(b"\x2b\x0e\x04\x09", b"\xab\x02", id="no-such-object"),
    pytest.param(b"\x2b\x0e\x04\x02", b"\x2b\x0e\x04\x81\x00\x00\x01\x02\x050.1.0", id="one-object"),
]


@pytest.mark.parametrize(("asked", "answered"), EXCHANGES)
def test_a_request_is_answered_as_the_standard_says(asked: bytes, answered: bytes) -> None:
    request, reply = rtu(asked), rtu(answered)
    assert RtuBus([ModbusUnit(1, lambda: NOW, serial="S")]).receive(request) == reply
    bus = RtuBus([ModbusUnit(1, lambda: NOW, serial="S")])
    assert b"".join(bus.receive(bytes([byte])) for byte in request) == reply
    header = struct.pack(">HHHB", 9, 0, len(asked) + 1, 1)
    tcp = TcpBus([ModbusUnit(1, lambda: NOW, serial="S")]).receive(header + asked)
    assert tcp == struct.pack(">HHHB", 9, 0, len(answered) + 1, 1) + answered


def test_a_wrong_checksum_and_another_address_are_met_with_silence() -> None:
    bus = RtuBus([ModbusUnit(1, lambda: NOW, serial="S")])
    asked = b"\x03\x00\x0a\x00\x01"
    assert bus.receive(rtu(asked)[:-1] + b"\x00") == b""
    assert bus.receive(rtu(asked, address=2)) == b""
    assert bus.receive(b"\x01\x03\x00") == b""
    bus.note_silence()
    assert bus.receive(rtu(asked)) == rtu(struct.pack(">BBh", 3, 2, 1712))


def test_sensors_without_a_value_say_so_in_every_register() -> None:
    bus = RtuBus([ModbusUnit(1, lambda: Reading(float("inf"), float("nan")), serial="S")])
    assert bus.receive(rtu(b"\x03\x00\x0a\x00\x02")) == rtu(b"\x03\x04\x80\x00\x80\x00")
    assert bus.receive(rtu(b"\x03\x00\x06\x00\x01")) == rtu(b"\x03\x02\x00\x03")


def test_a_disturbance_is_chosen_by_kind_chance_and_address() -> None:
    assert parse_wire_fault("noise:0.25@7") == WireFault(kind=WireFaultKind.NOISE, chance=0.25, address=7)
    with pytest.raises(ValueError, match="'loud' is no disturbance; there are: dropped, doubled"):
        parse_wire_fault("loud")
    dead = WireFaultInjector([WireFault(kind=WireFaultKind.DEAD, address=2)], seed=1)
    assert [dead.apply(rtu(b"\x03", address=number), b"reply")[0] for number in (1, 2)] == [b"reply", b""]


@pytest.mark.parametrize("kind", list(WireFaultKind))
def test_the_same_seed_brings_the_same_faults(kind: WireFaultKind) -> None:
    request, reply = rtu(b"\x03\x00\x0a\x00\x01"), rtu(b"\x03\x02\x06\xb0")
    pair = [WireFaultInjector([WireFault(kind=kind)], seed=5) for _ in range(2)]
    changed, late_s = pair[0].apply(request, reply)
    assert pair[1].apply(request, reply) == (changed, late_s)
    assert (changed != reply) is (kind is not WireFaultKind.SLOW)


def test_a_fault_is_the_first_instruments_and_a_disturbance_is_that_of_all(simulator: Start) -> None:
    options = ["--protocol", "modbus-tcp", "--address", "1", "--address", "2"]
    effects = ["--fault", "cracked-bulb@0", "--disturbance", "thermometer-steps:10"]
    host, _, port = simulator("quiet-night", tcp=True, extra=[*options, *effects]).port.rpartition(":")
    read = {}
    with socket.create_connection((host.rpartition("/")[2], int(port)), timeout=10) as client:
        for address in (1, 2):
            client.sendall(struct.pack(">HHHBBHH", address, 0, 6, address, 3, 10, 2))
            read[address] = struct.unpack(">hh", client.recv(64)[9:])  # 0.1 mV and 0.01 C
    assert (abs(read[1][0]) < 200, read[2][0] > 1500) == (True, True)
    assert (read[1][1], read[2][1]) == (2000, 2000)
