"""Commands from the hub: bytes on a topic -> a command for the inbox, or a refusal for the journal.

Law: pure, and nothing that arrives makes it raise. What is unknown, malformed, too long, binary, stale or retained (a
retained one would be carried out again at every start) becomes a refusal that says why, with no byte of it left
unescaped.
"""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from hashlib import blake2s
from typing import Annotated

import msgspec

from logger.config import VatConfig
from logger.model import Cause, Command, CommandKind, Entry, Mark, figures
from logger.model.figures import LONGEST_TEXT, Figure
from logger.mqtt.messages import Incoming
from logger.mqtt.topics import Address, Topics
from logger.watch.system import SYSTEM

LONGEST_BYTES = 4096
STRIP_U_PH = 0.2
"""Standard uncertainty of a spot measurement whose sender tells none: that of a paper strip. [CP]"""
STALE_S = 600.0
"""What was asked for longer ago than this, by its own word, is not carried out any more. [CP]"""
BY = "mqtt"
_SHOWN_CHARACTERS = 100
_NUMBER = re.compile(rb"[0-9]{1,2}(\.[0-9]{1,9})?")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_JOINERS = "\u200c\u200d"
"""Zero width, within words and pictographs; every other character of Unicode's category C could hide something."""

Text = Annotated[str, msgspec.Meta(min_length=1, max_length=LONGEST_TEXT)]


class _RefusedPayloadError(Exception):
    """The payload is no command; the message says why."""


class _Form(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    at: datetime | None = None
    """When it was asked for; also names it, so that a repeat is recognised."""


class _Acknowledge(_Form):
    occurrence: int


class _Shelve(_Form):
    minutes: float
    occurrence: int | None = None


class _Mark(_Form):
    mark: Mark
    minutes: float | None = None
    litres: float | None = None
    hours_ago: float | None = None

    def duration_s(self) -> float | None:
        """Return how long the mark holds, or of a start how long ago it was."""
        if self.minutes is not None and self.mark in (Mark.PROBE_IN, Mark.STARTED):
            raise _RefusedPayloadError(f"'minutes' does not go with {self.mark}: it has no end to set")
        if self.hours_ago is not None and self.mark is not Mark.STARTED:
            raise _RefusedPayloadError(f"'hours_ago' goes with {Mark.STARTED}, not with {self.mark}")
        return 60.0 * self.minutes if self.minutes is not None else self.hours_ago and 3600.0 * self.hours_ago


class _Note(_Form):
    text: Text


class _Spot(_Form):
    ph: float
    u: float = STRIP_U_PH
    instrument: Annotated[str, msgspec.Meta(max_length=figures.LONGEST_NAME)] = ""


_Any = _Acknowledge | _Shelve | _Mark | _Note | _Spot
_OF_ALARM: Mapping[str, tuple[type[_Any], str]] = {
    "acknowledge": (_Acknowledge, '{"occurrence": 3}'),
    "shelve": (_Shelve, '{"minutes": 30}'),
}
_OF_VAT: Mapping[str, tuple[type[_Any], str]] = {
    "mark": (_Mark, f'{{"mark": "topped-up", "litres": 4}} or another of {", ".join(Mark)}'),
    "note": (_Note, '{"text": "weights pushed down"} or a line of text'),
    "spot": (_Spot, '{"ph": 4.71, "u": 0.05, "instrument": "hand meter"}'),
}
"""By the last part of the topic: what is expected, and an example of it."""
_FIGURES: Mapping[str, Figure] = {
    "occurrence": figures.OCCURRENCE,
    "minutes": figures.MINUTES,
    "litres": figures.LITRES,
    "hours_ago": figures.HOURS_AGO,
    "ph": figures.SPOT_PH,
    "u": figures.SPOT_U_PH,
}
"""By their name in a form."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotAsked:
    """What another instrument shows in a vat now; what the probe reads beside it is not known here."""

    vat: str
    at_us: int
    ph: float
    u_ph: float
    instrument: str
    delivery: str


Asked = Command | SpotAsked


def command_of(incoming: Incoming, topics: Topics, *, vats: Sequence[VatConfig], at_us: int) -> Asked | Entry:
    """Return what a message asks for (a command has id 0), or the journal entry of its refusal."""
    address = topics.command(incoming.topic) or Address()
    known = {known.id: {alarm.id for alarm in known.alarms} for known in vats}
    try:
        _check_address(address, known=known)
        _check_envelope(incoming)
        return _asked(address, incoming, at_us=at_us, dates=not topics.simulated)
    except _RefusedPayloadError as refusal:
        return refused(incoming, topics, why=str(refusal), vats=vats, at_us=at_us)


def refused(incoming: Incoming, topics: Topics, *, why: str, vats: Sequence[VatConfig], at_us: int) -> Entry:
    """Return the journal entry of a refusal."""
    address = topics.command(incoming.topic) or Address()
    vat = next((vat for vat in vats if vat.id == address.vat), None)
    is_known = vat is not None and any(alarm.id == address.alarm for alarm in vat.alarms)
    return Entry(
        seq=0,
        at_us=at_us,
        vat=vat.id if vat and vat.id != SYSTEM else "",
        cause=Cause.REFUSED,
        alarm=address.alarm if is_known else "",
        by=BY,
        text=f"Command on {shown(incoming.topic)} refused: {why}.",
    )


def shown(text: str) -> str:
    """Return text from outside, shortened and with everything but printable ASCII escaped."""
    whole = text if len(text) <= _SHOWN_CHARACTERS else f"{text[:_SHOWN_CHARACTERS]}..."
    return ascii(whole)


def _check_address(address: Address, *, known: Mapping[str, set[str]]) -> None:
    if address.verb not in (_OF_ALARM if address.alarm else _OF_VAT):
        verbs = [f"<vat>/<alarm>/{verb}" for verb in _OF_ALARM] + [f"<vat>/{verb}" for verb in _OF_VAT]
        raise _RefusedPayloadError(f"expected one of {', '.join(verbs)} below 'command'")
    if address.vat == SYSTEM and not address.alarm and address.verb != CommandKind.NOTE:
        raise _RefusedPayloadError(f"the watch itself takes no {address.verb}")
    if address.vat not in known:
        raise _RefusedPayloadError(f"there is no vat {shown(address.vat)}")
    if address.alarm and address.alarm not in known[address.vat]:
        raise _RefusedPayloadError(f"vat {address.vat} has no alarm {shown(address.alarm)}")


def _check_envelope(incoming: Incoming) -> None:
    if incoming.retain:
        raise _RefusedPayloadError("it was sent retained and would be repeated at every start: send it without retain")
    if len(incoming.payload) > LONGEST_BYTES:
        raise _RefusedPayloadError(f"its {len(incoming.payload)} bytes are more than the {LONGEST_BYTES} allowed")
    if not incoming.payload:
        raise _RefusedPayloadError("it is empty")


def _asked(address: Address, incoming: Incoming, *, at_us: int, dates: bool) -> Asked:
    form, example = (_OF_ALARM if address.alarm else _OF_VAT)[address.verb]
    said = _decoded(_whole(incoming.payload, address.verb), form, example=example)
    if dates and said.at is not None and not isinstance(said, _Note | _Acknowledge):
        _check_age(said.at, at_us=at_us)
    delivery = _delivery(incoming, said.at)
    if isinstance(said, _Spot):
        instrument = _printable(said.instrument)
        return SpotAsked(
            vat=address.vat, at_us=at_us, ph=said.ph, u_ph=said.u, instrument=instrument, delivery=delivery
        )
    kind = CommandKind(address.verb)
    plain = Command(id=0, at_us=at_us, kind=kind, vat=address.vat, alarm=address.alarm, by=BY, delivery=delivery)
    match said:
        case _Acknowledge():
            return replace(plain, occurrence=said.occurrence)
        case _Shelve():
            return replace(plain, occurrence=said.occurrence, duration_s=60.0 * said.minutes)
        case _Mark():
            return replace(plain, note=said.mark.value, duration_s=said.duration_s(), litres=said.litres)
        case _Note():
            return replace(plain, note=_printable(said.text))


def _printable(text: str) -> str:
    """Return a text that hides nothing: no control characters, no line ends, nothing that turns the writing round."""
    hidden = next((c for c in text if unicodedata.category(c)[0] == "C" and c not in _JOINERS), None)
    hidden = hidden or next((c for c in text if unicodedata.category(c) in ("Zl", "Zp")), None)
    if hidden is not None:
        raise _RefusedPayloadError(f"it holds the character {hidden!a}: send one line of plain text")
    return text


def _whole(payload: bytes, verb: str) -> bytes:
    """Return the payload as JSON: what is said bare (`3`, `4.71`, `probe-out`, a note) is put into its object."""
    bare = payload.strip()
    if bare.startswith(b"{"):
        return payload
    if verb == CommandKind.ACKNOWLEDGE and bare.isdigit():
        return b'{"occurrence": %s}' % bare
    if verb == "spot" and _NUMBER.fullmatch(bare):
        return b'{"ph": %s}' % bare
    key = {"mark": "mark", "note": "text"}.get(verb)
    try:
        return payload if key is None else msgspec.json.encode({key: bare.decode()})
    except UnicodeDecodeError:
        return payload


def _check_age(at: datetime, *, at_us: int) -> None:
    age_s = at_us / 1e6 - (at - _EPOCH) / timedelta(seconds=1)
    if abs(age_s) > STALE_S:
        when = "ago" if age_s > 0 else "from now"
        raise _RefusedPayloadError(
            f"it was sent {abs(age_s) / 60:.0f} min {when} by the sender's clock: send it again, and compare the clocks"
        )


def _delivery(incoming: Incoming, at: datetime | None) -> str:
    """Name the delivery, so that its repeat is recognised: by the sender's own time, else by the broker's number."""
    if at is not None:
        return f"at-{_digest(incoming.topic, at.isoformat().encode())}"
    return f"mid-{incoming.mid}-{_digest(incoming.topic, incoming.payload)}" if incoming.mid else ""


def _digest(topic: str, content: bytes) -> str:
    return blake2s(topic.encode(errors="replace") + b"\0" + content, digest_size=12).hexdigest()


def _decoded(payload: bytes, kind: type[_Any], *, example: str) -> _Any:
    try:
        said = msgspec.json.decode(payload, type=kind)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise _RefusedPayloadError(f"expected {example} ({shown(str(error))})") from error
    for name, figure in _FIGURES.items():
        if why := figure.why_not(getattr(said, name, None)):
            raise _RefusedPayloadError(f"expected {example} ({why})")
    if said.at is not None and said.at.tzinfo is None:
        raise _RefusedPayloadError("'at' needs its time zone, as in 2026-11-25T02:10:00Z")
    return said
