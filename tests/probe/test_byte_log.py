"""Bytes of real ports, recorded and decoded again: every tick ends as it ended then."""

import json
import threading
import time
from pathlib import Path

import pytest

from logger.config import ProbeConfig, Protocol, TextConfig
from logger.errors import RefusedError
from logger.model import Indication, Reason
from logger.probe import byte_log
from logger.probe.byte_replay import replay_indications
from logger.probe.reader import reader
from logger.structs import replace
from tests.parts.simulator import Start
from tests.probe.test_simulator import ASKED, PRINTING, polled, starting_at
from tests.probe.text_peer import TextPeer


def decoded(log: Path, *probes: ProbeConfig, simulated: bool) -> list[Indication]:
    with log.open("rb") as stream:
        items = list(byte_log.read(stream, name=log.name))
    return list(replay_indications(items, {probe.id: probe for probe in probes}, simulated=simulated))


@pytest.mark.parametrize(
    ("options", "more"),
    [
        ([], {}),
        (["--protocol", "text"], {"protocol": Protocol.TEXT, "text": ASKED}),
        (["--protocol", "text", "--style", "printing"], {"protocol": Protocol.TEXT, "text": PRINTING}),
    ],
)
@pytest.mark.parametrize(("run", "hours"), [("quiet-night", 1.0), pytest.param("garbled", 2.1, marks=pytest.mark.slow)])
def test_what_was_recorded_is_decoded_to_what_was_read(
    simulator: Start, tmp_path: Path, options: list[str], more: dict[str, object], run: str, hours: float
) -> None:
    log = tmp_path / "port.bytes"
    port = simulator(run, extra=[*starting_at(hours), *options]).port
    probe = ProbeConfig(id="p", port=port, timeout_s=0.4, record_bytes=log, **more)  # type: ignore[arg-type]
    reads = reader(probe, simulated=True)
    live = polled(reads, 6, every_s=0.1)
    reads.close()
    assert decoded(log, probe, simulated=True) == live


def test_lost_ports_late_replies_and_rubbish_are_decoded_to_what_they_were(tmp_path: Path) -> None:
    log, link = tmp_path / "port.bytes", tmp_path / "probe"
    text = TextConfig(pattern=r"(?P<mv>\d+) mV", example="171 mV", query="READ?")
    probe = ProbeConfig(id="p", port=str(link), timeout_s=0.15, protocol=Protocol.TEXT, text=text, record_bytes=log)
    reads = reader(probe, simulated=False)
    live = polled(reads, 1)
    for reply in ([(0.0, b"171 mV\n")], [(0.2, b"172 mV\n")], [(0.0, b"17"), (0.05, b"3 mV\r\n")], [(0.0, b"\xff\n")]):
        with TextPeer(link) as peer:
            peer.answer = lambda _, reply=reply: reply  # type: ignore[misc]
            live += polled(reads, 3)
        live += polled(reads, 1)
    reads.close()
    assert decoded(log, probe, simulated=False) == live
    assert {each.reason for each in live} == {Reason.NONE, Reason.PORT_ABSENT, Reason.TIMEOUT, Reason.GARBLED}


@pytest.mark.parametrize("after_s", [0.1, 0.16, 0.2, 0.24, 0.28])
def test_a_busy_machine_makes_no_difference_between_the_two(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after_s: float
) -> None:
    write = byte_log.ByteLog._write  # noqa: SLF001 - a disk that takes its time is between any two steps of a tick

    def write_slowly(log: byte_log.ByteLog, what: byte_log.RunHeader | byte_log.ByteLogEntry) -> None:
        time.sleep(0.04)
        write(log, what)

    monkeypatch.setattr(byte_log.ByteLog, "_write", write_slowly)
    text = TextConfig(pattern=r"(?P<mv>\d+) mV", example="171 mV")
    log, link = tmp_path / "port.bytes", tmp_path / "probe"
    probe = ProbeConfig(id="p", port=str(link), timeout_s=0.2, protocol=Protocol.TEXT, text=text, record_bytes=log)
    with TextPeer(link) as peer:
        reads = reader(probe, simulated=False)
        says = [threading.Timer(n * 0.15 + after_s, peer.say, [b"171 mV\n"]) for n in range(3)]
        for timer in says:
            timer.start()
        live = polled(reads, 3)
        for timer in says:
            timer.join()
        reads.close()
    assert decoded(log, probe, simulated=False) == live


def test_another_description_reads_the_same_bytes_anew(tmp_path: Path) -> None:
    log = tmp_path / "port.bytes"
    text = TextConfig(pattern=r"(?P<mv>\d+) mV", example="171 mV", query="READ?")
    with TextPeer(tmp_path / "probe") as peer:
        peer.answer = lambda _: [(0.0, b"171.5 mV\r\n")]
        probe = ProbeConfig(
            id="p", port=str(peer.link), timeout_s=0.2, protocol=Protocol.TEXT, text=text, record_bytes=log
        )
        reads = reader(probe, simulated=False)
        assert {each.reason for each in polled(reads, 3)} == {Reason.GARBLED}
        reads.close()
    better = replace(probe, text=replace(text, pattern=r"(?P<mv>\d+\.\d) mV", example="171.5 mV"))
    assert [each.potential_mv for each in decoded(log, better, simulated=False)] == [171.5] * 3


def test_a_log_that_cannot_be_written_disturbs_no_reading(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with TextPeer(tmp_path / "probe") as peer:
        peer.answer = lambda _: [(0.0, b"171 mV\n")]
        text = TextConfig(pattern=r"(?P<mv>\d+) mV", example="171 mV", query="READ?")
        nowhere = tmp_path / "none" / "x"
        probe = ProbeConfig(id="p", port=str(peer.link), protocol=Protocol.TEXT, text=text, record_bytes=nowhere)
        reads = reader(probe, simulated=False)
        assert polled(reads, 2)[1].potential_mv == 171.0
        reads.close()
    assert f"{nowhere}: the bytes are not recorded: No such file or directory" in caplog.text


HEAD = b'{"bytes":1,"port":"/dev/x","simulated":false}\n'


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b'{"t_us":1,"opened":true}\n', "x, line 1: a log of bytes begins with its header"),
        (b'{"bytes":2,"port":"","simulated":false}\n', "x, line 1: format 2 is not known here, only 1"),
        (HEAD + b'{"t_us":"a"}\n', "x, line 2: Expected `int`, got `str`"),
        (HEAD + b"\xff\n", "x, line 2: "),
        (HEAD + b'{"t_us":1,"got":"zz"}\n', "x, line 2: 'zz' is not hexadecimal"),
        (b'{"recording":1}\n', "x, line 1: "),
    ],
)
def test_what_is_no_log_of_bytes_is_refused_with_the_line(tmp_path: Path, content: bytes, told: str) -> None:
    (tmp_path / "x").write_bytes(content)
    with (tmp_path / "x").open("rb") as stream, pytest.raises(RefusedError) as caught:
        list(byte_log.read(stream, name="x"))
    assert str(caught.value).startswith(told)


def test_a_last_line_that_was_cut_off_is_left_out(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(HEAD + b'{"t_us":1,"opened":true}\n{"t_us":2,"go')
    with (tmp_path / "x").open("rb") as stream:
        assert len(list(byte_log.read(stream, name="x"))) == 2


def test_the_format_is_the_documented_one(tmp_path: Path) -> None:
    with TextPeer(tmp_path / "probe") as peer:
        peer.answer = lambda _: [(0.0, b"171 mV\n")]
        text = TextConfig(pattern=r"(?P<mv>\d+) mV", example="171 mV", query="READ?")
        log = tmp_path / "port.bytes"
        probe = ProbeConfig(id="p", port=str(peer.link), protocol=Protocol.TEXT, text=text, record_bytes=log)
        reads = reader(probe, simulated=False)
        reads.read(at_us=7, elapsed_us=8)
        reads.close()
        lines = [json.loads(line) for line in log.read_bytes().splitlines()]
    for line in lines[1:]:
        del line["t_us"]
    assert lines[:6] == [
        {"bytes": 1, "port": str(peer.link), "simulated": False},
        {"tick": {"probe": "p", "at_us": 7, "elapsed_us": 8}},
        {"opened": True},
        {"quiet": True},
        {"quiet": True},
        {"sent": b"READ?\r\n".hex()},
    ]
    assert "".join(line.get("got", "") for line in lines[6:]) == b"171 mV\n".hex()
