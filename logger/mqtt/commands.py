"""Commands from the hub: bytes on a topic -> a command for the inbox, or a refusal for the journal.

Law: pure, and nothing that arrives makes it raise. What is unknown, malformed, too long, binary or retained (a retained
one would be carried out again at every start) becomes a refusal that says why, with no byte of it left unescaped.
"""

from collections.abc import Sequence
from typing import Annotated, TypeVar

import msgspec

from logger.config import VatConfig
from logger.model import Cause, Command, CommandKind, Entry
from logger.mqtt.messages import Incoming
from logger.mqtt.topics import Topics

LONGEST_BYTES = 4096
_SHOWN_CHARACTERS = 100
_BY = "mqtt"
_T = TypeVar("_T")

Occurrence = Annotated[int, msgspec.Meta(ge=1, le=2**53)]
Minutes = Annotated[float, msgspec.Meta(gt=0, le=14 * 24 * 60)]


class _Acknowledge(msgspec.Struct, forbid_unknown_fields=True):
    occurrence: Occurrence


class _Shelve(msgspec.Struct, forbid_unknown_fields=True):
    minutes: Minutes
    occurrence: Occurrence | None = None


class _RefusedPayloadError(Exception):
    """The payload is no command; the message says why."""


def command_of(incoming: Incoming, topics: Topics, *, vats: Sequence[VatConfig], at_us: int) -> Command | Entry:
    """Return the command (id 0) that a message asks for, or the journal entry of its refusal."""
    vat, alarm, verb = topics.command(incoming.topic) or ("", "", "")
    known = {known.id: {alarm.id for alarm in known.alarms} for known in vats}
    try:
        _check_address(verb, vat, alarm=alarm, known=known)
        _check_envelope(incoming)
        return _command(verb, vat, alarm=alarm, payload=incoming.payload, at_us=at_us)
    except _RefusedPayloadError as refusal:
        return Entry(
            seq=0,
            at_us=at_us,
            vat=vat if vat in known else "",
            cause=Cause.REFUSED,
            alarm=alarm if alarm in known.get(vat, ()) else "",
            by=_BY,
            text=f"Command on {shown(incoming.topic)} refused: {refusal}.",
        )


def shown(text: str) -> str:
    """Return text from outside, shortened and with everything but printable ASCII escaped."""
    whole = text if len(text) <= _SHOWN_CHARACTERS else f"{text[:_SHOWN_CHARACTERS]}..."
    return ascii(whole)


def _check_address(verb: str, vat: str, *, alarm: str, known: dict[str, set[str]]) -> None:
    if verb not in (CommandKind.ACKNOWLEDGE, CommandKind.SHELVE):
        raise _RefusedPayloadError("expected <vat>/<alarm>/acknowledge or <vat>/<alarm>/shelve below 'command'")
    if vat not in known:
        raise _RefusedPayloadError(f"there is no vat {shown(vat)}")
    if alarm not in known[vat]:
        raise _RefusedPayloadError(f"vat {vat} has no alarm {shown(alarm)}")


def _check_envelope(incoming: Incoming) -> None:
    if incoming.retain:
        raise _RefusedPayloadError("it was sent retained and would be repeated at every start: send it without retain")
    if len(incoming.payload) > LONGEST_BYTES:
        raise _RefusedPayloadError(f"its {len(incoming.payload)} bytes are more than the {LONGEST_BYTES} allowed")
    if not incoming.payload:
        raise _RefusedPayloadError("it is empty")


def _command(verb: str, vat: str, *, alarm: str, payload: bytes, at_us: int) -> Command:
    if verb == CommandKind.ACKNOWLEDGE:
        kind = CommandKind.ACKNOWLEDGE
        return Command(id=0, at_us=at_us, kind=kind, vat=vat, alarm=alarm, occurrence=_occurrence(payload), by=_BY)
    asked = _decoded(payload, _Shelve, example='{"minutes": 30}')
    return Command(
        id=0,
        at_us=at_us,
        kind=CommandKind.SHELVE,
        vat=vat,
        alarm=alarm,
        occurrence=asked.occurrence,
        duration_s=60.0 * asked.minutes,
        by=_BY,
    )


def _occurrence(payload: bytes) -> int:
    """Read `{"occurrence": 3}` or a plain `3`."""
    plain = payload.strip().isdigit()
    content = b'{"occurrence": %s}' % payload if plain else payload
    return _decoded(content, _Acknowledge, example='{"occurrence": 3}').occurrence


def _decoded(payload: bytes, kind: type[_T], *, example: str) -> _T:
    try:
        return msgspec.json.decode(payload, type=kind)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise _RefusedPayloadError(f"expected {example} ({shown(str(error))})") from error
