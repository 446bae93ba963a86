"""Recognise what speaks on a port: listen, then ask what instruments of the trade answer, at the usual rates.

Law: nothing is sent but two queries, `*IDN?` (IEEE 488.2) and `READ?` (SCPI), which change nothing in an instrument;
what is recognised has been read once as the watch would read it. Modbus is not asked: which register holds what is in
nobody's reply. The rates are tried by how common they are: common practice, no source.
"""

import re
from collections.abc import Iterator
from typing import Final

from logger.config import ProbeConfig, Protocol
from logger.errors import RefusedError
from logger.model import Indication, Reason
from logger.probe import scpi
from logger.probe.diagnosis import diagnose, terminator_of
from logger.probe.opening import opened
from logger.probe.port import describe_failure
from logger.probe.protocols import entry
from logger.probe.reader import reader
from logger.probe.suggest import suggest_description
from logger.probe.textline import as_text, printable
from logger.probe.wire import FAILURES, Wire
from logger.structs import Struct, replace

RATES: Final = (9600, 19200, 115200, 38400, 57600, 4800, 2400)
LISTEN_S: Final = 1.3
"""A probe that prints does so once a second, mostly."""
REPLY_S: Final = 0.6
MORE_S: Final = 6.0
"""So long is a probe listened to that prints, until there are lines enough to describe them."""
ENOUGH_LINES: Final = 5
ASKED_TIMES: Final = 4
READ: Final = b"READ?"
_IDENTITY: Final = re.compile(rb"[^,]*,[^,]*,[^,]*,[^,]*")
"""IEEE 488.2-1992, 10.14: four fields with commas between them; from memory."""
_PRINTING_TRIES: Final = 3


class Recognised(Struct, frozen=True, kw_only=True):
    """What speaks on a port."""

    probe: ProbeConfig | None
    """How it is read; None: nothing was recognised."""
    sentence: str = ""
    """What was heard, and what to do where that is not enough."""
    identity: str = ""
    """What it answers to *IDN?."""
    indication: Indication | None = None
    """What it read just now, as the watch reads it; None: it could not be read."""


def recognise(probe: ProbeConfig, *, simulated: bool) -> Recognised:
    """Return what speaks on the port of a probe. Raises RefusedError for a port that cannot be used."""
    fixed = "://" in probe.port or not probe.port.startswith("/dev/tty")  # no rate to be wrong
    first, is_silent = "", False
    for baud in (probe.baud,) if fixed else RATES:
        found = _at(replace(probe, baud=baud), is_silent=is_silent)
        if found.probe is not None:
            return _tried(found, found.probe, simulated=simulated)
        first, is_silent = first or found.sentence, not found.sentence
    return Recognised(probe=None, sentence=first or "nothing answered; is the probe on, and is it the right port?")


def _at(probe: ProbeConfig, *, is_silent: bool) -> Recognised:
    """Return what speaks at one rate; a probe that was silent at another prints nothing at this one either."""
    wire = opened(probe)
    try:
        heard = b"" if is_silent else _listen(wire, LISTEN_S)
        if heard:
            return _printing(probe, wire, heard)
        return _asked(probe, wire)
    except FAILURES as error:
        raise RefusedError(f"{probe.port}: {describe_failure(error, probe.port)}") from error
    finally:
        wire.close()


def _listen(wire: Wire, seconds: float, enough: int | None = None) -> bytes:
    data, until = b"", wire.now_s() + seconds
    while wire.now_s() < until and (enough is None or data.count(b"\n") < enough):
        data += wire.read(until=until)
    return data


def _printing(probe: ProbeConfig, wire: Wire, heard: bytes) -> Recognised:
    """Return what prints by itself."""
    if trouble := diagnose(heard, end=terminator_of(heard).encode("latin-1") or b"\n"):
        return Recognised(probe=None, sentence=trouble)
    heard += _listen(wire, MORE_S, ENOUGH_LINES + 1)
    return _described(probe, heard, whole_from=1)  # the first line may have lost its beginning


def _asked(probe: ProbeConfig, wire: Wire) -> Recognised:
    """Return what answers."""
    wire.send(scpi.IDENTIFY)
    answer = _listen(wire, REPLY_S, enough=1)
    if _IDENTITY.fullmatch(answer.strip()):
        identity = as_text(answer.strip())
        sentence = f"it answers *IDN? with {printable(identity)}, so it speaks SCPI"
        return Recognised(probe=replace(probe, protocol=Protocol.SCPI), identity=identity, sentence=sentence)
    if answer:
        _listen(wire, REPLY_S)
    heard = b"".join(_replies(wire))
    return _described(probe, heard, query=READ) if heard or answer else Recognised(probe=None)


def _replies(wire: Wire) -> Iterator[bytes]:
    for _ in range(ASKED_TIMES):
        wire.send(READ + b"\r\n")
        reply = _listen(wire, REPLY_S, enough=1)
        if not reply:
            return
        yield reply


def _described(probe: ProbeConfig, heard: bytes, *, query: bytes = b"", whole_from: int = 0) -> Recognised:
    """Return the description of lines, as `vatvigil listen` suggests it."""
    terminator = terminator_of(heard)
    trouble = diagnose(heard, query=query, end=terminator.encode("latin-1") or b"\n")
    is_echo = trouble.endswith("echo = true")
    if trouble and not is_echo:
        return Recognised(probe=None, sentence=trouble)
    lines = heard.split(terminator.encode("latin-1"))[whole_from:-1] if terminator else [heard]
    bare = [line.removesuffix(b"\r") for line in lines]
    replies = [line for line in (each.removeprefix(query).lstrip(b"\r") for each in bare) if line] if is_echo else bare
    suggested = suggest_description(replies, terminator=terminator or "\n", query=query.decode(), echo=is_echo)
    says = f"it {'answers READ?' if query else 'prints lines by itself'}"
    if suggested.text is None:
        where = "see `vatvigil listen` and `vatvigil help probes`"
        return Recognised(probe=None, sentence=f"{says}, but {suggested.explanation}: {where}")
    example = printable(suggested.text.example)
    return Recognised(
        probe=replace(probe, protocol=Protocol.TEXT, text=suggested.text), sentence=f"{says}, such as {example}"
    )


def _tried(found: Recognised, probe: ProbeConfig, *, simulated: bool) -> Recognised:
    """Return what was recognised with what it reads, or with why the watch cannot read it."""
    reads = reader(probe, simulated=simulated)
    tries = _PRINTING_TRIES if entry(probe.protocol).prints_by_itself(probe) else 1
    try:
        for _ in range(tries):
            indication = reads.read(at_us=0, elapsed_us=0)
            if indication.reason is not Reason.TIMEOUT:
                break
    finally:
        reads.close()
    if indication.potential_mv is not None:
        return replace(found, indication=indication)
    why = reads.detail.removeprefix(f"{probe.port}: ").partition(" (next try")[0]
    return replace(found, sentence=f"{found.sentence}; but {why or indication.reason.words}")
