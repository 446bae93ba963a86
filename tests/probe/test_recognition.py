"""What speaks on a port, found with the real simulator and with scripted peers behind pseudo-terminals."""

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from logger.config import Checksum, ProbeConfig, Protocol
from logger.errors import RefusedError
from logger.probe.recognition import Recognised, recognise
from tests.parts.simulator import Start

pytest_plugins = ["tests.parts.simulator"]


def at(port: str, *, simulated: bool = True) -> Recognised:
    return recognise(ProbeConfig(id="", port=port), simulated=simulated)


@contextmanager
def answering(replies: dict[bytes, bytes]) -> Iterator[str]:
    """Answer queries at one end of a pseudo-terminal; yield the name of the other."""
    near, far = os.openpty()

    def go_on() -> None:
        data = b""
        while True:
            try:
                data += os.read(near, 100)
            except OSError:
                return
            for query, reply in replies.items():
                if query in data:
                    data = b""
                    os.write(near, reply)

    thread = threading.Thread(target=go_on, daemon=True)
    thread.start()
    try:
        yield os.ttyname(far)
    finally:
        os.close(far)
        thread.join(5)
        os.close(near)


def test_a_scpi_instrument_is_known_by_its_identity_and_read_as_the_watch_reads_it(simulator: Start) -> None:
    found = at(simulator("quiet-night", extra=["--serial", "SIM0042"]).port)
    assert found.probe is not None
    assert (found.probe.protocol, "SIM0042" in found.identity) == (Protocol.SCPI, True)
    assert found.indication is not None
    assert found.indication.potential_mv == pytest.approx(185, abs=15)  # about pH 3.8


def test_a_simulator_is_no_real_probe(simulator: Start) -> None:
    found = at(simulator("quiet-night").port, simulated=False)
    assert found.indication is None
    assert "a simulated instrument answers" in found.sentence


@pytest.mark.slow
@pytest.mark.parametrize("fault", [[], ["--disturb", "echo"]])
def test_lines_that_it_answers_with_are_described(simulator: Start, fault: list[str]) -> None:
    found = at(simulator("quiet-night", extra=["--protocol", "text", *fault]).port)
    assert found.probe is not None
    assert found.probe.text is not None
    assert (found.probe.protocol, found.probe.text.query, found.probe.text.echo) == (
        Protocol.TEXT,
        "READ?",
        bool(fault),
    )
    assert found.indication is not None


@pytest.mark.slow
def test_lines_that_it_prints_are_described_with_their_check_value(simulator: Start) -> None:
    found = at(simulator("quiet-night", extra=["--protocol", "text", "--style", "printing"]).port)
    assert found.probe is not None
    assert found.probe.text is not None
    assert (found.probe.text.query, found.probe.text.checksum) == ("", Checksum.XOR_8)
    assert found.indication is not None


@pytest.mark.slow
def test_one_that_answers_nothing_is_told() -> None:
    with answering({}) as port:
        assert at(port) == Recognised(
            probe=None, sentence="nothing answered; is the probe on, and is it the right port?"
        )


@pytest.mark.slow
def test_an_instrument_that_does_not_measure_by_the_usual_query_says_what_it_answers() -> None:
    with answering({b"*IDN?": b"INVENTED,METER,7,1.0\n", b"SYST:ERR?": b'0,"No error"\n'}) as port:
        found = at(port, simulated=False)
    assert (found.identity, found.indication) == ("INVENTED,METER,7,1.0", None)
    assert found.sentence.startswith("it answers *IDN? with 'INVENTED,METER,7,1.0', so it speaks SCPI; but no reply")


def test_a_port_that_is_not_there_is_refused() -> None:
    with pytest.raises(RefusedError, match="there is no such port; check the cable and the path"):
        at("/dev/absent")
