"""A port on another machine: pyserial's own RFC 2217 server sets what the configuration says of the line."""

import socket
import threading
from collections.abc import Iterator
from contextlib import suppress

import pytest
import serial
from serial.rfc2217 import PortManager

from logger.config import Parity, ProbeConfig, Protocol, TextConfig
from logger.model import Reason
from logger.probe.reader import reader

LINE = b"171.2 mV 20.1 C\r\n"
TEXT = TextConfig(
    pattern=r"(?P<mv>\S+) mV (?P<temperature>\S+) C", example="171.2 mV 20.1 C", query="READ?", query_end="\n"
)


CONTROL_ANSWER = b"\xff\xfa\x2c\x69"
"""IAC SB COM-PORT-OPTION SERVER-SET-CONTROL (RFC 2217, 3.1): some adapters never send it."""


class Connection:
    """What the server writes to."""

    def __init__(self, peer: socket.socket, *, answers_control: bool) -> None:
        self._peer, self._answers_control = peer, answers_control

    def write(self, data: bytes) -> None:
        if self._answers_control or not data.startswith(CONTROL_ANSWER):
            self._peer.sendall(data)


@pytest.fixture(params=[True])
def served(request: pytest.FixtureRequest) -> Iterator[tuple[str, serial.SerialBase]]:
    """The URL of a remote port, and the port there: a loop that answers each query with a line."""
    port = serial.serial_for_url("loop://", timeout=0)
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(20)

    def serve() -> None:
        with suppress(OSError), listener.accept()[0] as peer:
            manager = PortManager(port, Connection(peer, answers_control=request.param))  # type: ignore[arg-type]  # the stubs want more than is used
            while data := peer.recv(1024):
                asked = b"".join(manager.filter(data)).count(b"\n")
                peer.sendall(b"".join(manager.escape(LINE * asked)))

    server = threading.Thread(target=serve)
    server.start()
    yield f"rfc2217://127.0.0.1:{listener.getsockname()[1]}", port
    listener.close()
    server.join()
    port.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5 calls them
@pytest.mark.parametrize("level", [False, True])
def test_a_remote_port_gets_the_settings_of_the_line_and_is_read(
    served: tuple[str, serial.SerialBase], *, level: bool
) -> None:
    url, port = served
    probe = ProbeConfig(
        id="p",
        port=url,
        protocol=Protocol.TEXT,
        text=TEXT,
        baud=1200,
        parity=Parity.EVEN,
        data_bits=7,
        stop_bits=2,
        dtr=level,
        rts=not level,
    )
    reads = reader(probe, simulated=False)
    try:
        found = [reads.read(at_us=number, elapsed_us=number) for number in range(3)]
    finally:
        reads.close()
    assert [(each.reason, each.potential_mv) for each in found] == [(Reason.NONE, 171.2)] * 3
    there = (port.baudrate, port.parity, port.bytesize, port.stopbits, port.dtr, port.rts)
    assert there == (1200, "E", 7, 2, level, not level)


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
@pytest.mark.parametrize("served", [False], indirect=True)
def test_an_adapter_that_does_not_answer_for_its_control_lines_is_read_with_the_option(
    served: tuple[str, serial.SerialBase],
) -> None:
    port = f"{served[0]}?ign_set_control&timeout=1"
    reads = reader(ProbeConfig(id="p", port=port, protocol=Protocol.TEXT, text=TEXT), simulated=False)
    try:
        found = reads.read(at_us=1, elapsed_us=1)
    finally:
        reads.close()
    assert (found.reason, found.potential_mv) == (Reason.NONE, 171.2)


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
@pytest.mark.parametrize("served", [False], indirect=True)
def test_without_the_option_its_port_is_absent_and_the_reason_is_told(
    served: tuple[str, serial.SerialBase], caplog: pytest.LogCaptureFixture
) -> None:
    port = f"{served[0]}?timeout=1"
    reads = reader(ProbeConfig(id="p", port=port, protocol=Protocol.TEXT, text=TEXT), simulated=False)
    try:
        found = reads.read(at_us=1, elapsed_us=1)
    finally:
        reads.close()
    assert found.reason is Reason.PORT_ABSENT
    assert "timeout while waiting for option 'control'" in caplog.text
