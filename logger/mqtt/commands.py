"""Decodes the messages on command topics: each becomes commands for the inbox, or a refusal for the journal.

Law: pure, and nothing that arrives makes it raise. What is unknown, malformed, too long, binary, stale or retained (a
retained one would be carried out again at every start) becomes a refusal that says why, with no byte of it left
unescaped.
"""

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from hashlib import blake2s

import msgspec

from logger.config import VatConfig
from logger.errors import RefusedError
from logger.model import Cause, Command, CommandKind, Entry, Mark, batch_text, plain_text
from logger.mqtt.command_forms import (
    COMMANDS_BY_VERB,
    AcknowledgeAllForm,
    AcknowledgeForm,
    BatchForm,
    CommandRow,
    Form,
    MarkForm,
    NoteForm,
    ShelveForm,
    SpotForm,
)
from logger.mqtt.messages import Incoming
from logger.mqtt.topics import PATTERNS, Address, Topics
from logger.structs import Struct, replace
from logger.watch.system import SYSTEM

LONGEST_BYTES = 4096
STALE_S = 600.0
"""What was asked for longer ago than this, by its own word, is not carried out any more
(common practice, no source)."""
BY = "mqtt"
_SHOWN_CHARACTERS = 100
_OF_SYSTEM = (CommandKind.NOTE, CommandKind.ACKNOWLEDGE)
"""What the watch itself takes that speaks of no single alarm."""
_NUMBER = re.compile(rb"[0-9]{1,2}(\.[0-9]{1,9})?")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class _RefusedPayloadError(Exception):
    """The payload is no command; the message says why."""


class SpotReport(Struct, frozen=True, kw_only=True):
    """What another instrument shows in a vat now; what the probe reads beside it is not known here."""

    vat: str
    at_us: int
    ph: float
    u_ph: float
    instrument: str
    delivery: str


class AcknowledgeAll(Struct, frozen=True, kw_only=True):
    """Acknowledges the occurrences that a person saw standing in a vat; it is taken or refused as one."""

    commands: tuple[Command, ...]

    @property
    def delivery(self) -> str:
        """Return by what a repeat is recognised: the first command is stored with it."""
        return self.commands[0].delivery


Asked = Command | AcknowledgeAll | SpotReport


def command_of(incoming: Incoming, topics: Topics, *, vats: Sequence[VatConfig], at_us: int) -> Asked | Entry:
    """Return what a message asks for (a command has id 0), or the journal entry of its refusal."""
    address = topics.command(incoming.topic) or Address()
    try:
        _check_address(address, vats={vat.id: vat for vat in vats})
        _check_envelope(incoming)
        return _asked(address, incoming, vats=vats, at_us=at_us, dates=not topics.simulated)
    except _RefusedPayloadError as refusal:
        return refusal_entry(incoming, topics, why=str(refusal), vats=vats, at_us=at_us)


def refusal_entry(incoming: Incoming, topics: Topics, *, why: str, vats: Sequence[VatConfig], at_us: int) -> Entry:
    """Return the journal entry of a refusal."""
    address = topics.command(incoming.topic) or Address()
    vat = next((vat for vat in vats if vat.id == address.vat), None)
    has_alarm = vat is not None and any(alarm.id == address.alarm for alarm in vat.alarms)
    return Entry(
        seq=0,
        at_us=at_us,
        vat=vat.id if vat and vat.id != SYSTEM else "",
        cause=Cause.REFUSED,
        alarm=address.alarm if has_alarm else "",
        by=BY,
        text=f"Command on {escaped(incoming.topic)} refused: {why}.",
    )


def escaped(text: str) -> str:
    """Return text from outside, shortened and with everything but printable ASCII escaped."""
    whole = text if len(text) <= _SHOWN_CHARACTERS else f"{text[:_SHOWN_CHARACTERS]}..."
    return ascii(whole)


def _check_address(address: Address, *, vats: Mapping[str, VatConfig]) -> None:
    if (address.verb, bool(address.alarm)) not in COMMANDS_BY_VERB:
        forms = [row.topic.removeprefix(PATTERNS.command_root) for row in COMMANDS_BY_VERB.values()]
        raise _RefusedPayloadError(f"expected one of {', '.join(forms)} below 'command'")
    if address.vat == SYSTEM and not address.alarm and address.verb not in _OF_SYSTEM:
        raise _RefusedPayloadError(f"the watch itself takes no {address.verb}")
    if address.vat not in vats:
        raise _RefusedPayloadError(f"there is no vat {escaped(address.vat)}")
    if address.alarm:
        _check_alarm(vats[address.vat], address.alarm)


def _check_alarm(vat: VatConfig, alarm: str) -> None:
    if alarm not in {one.id for one in vat.alarms}:
        raise _RefusedPayloadError(f"vat {vat.id} has no alarm {escaped(alarm)}")


def _check_envelope(incoming: Incoming) -> None:
    if incoming.retain:
        raise _RefusedPayloadError("it was sent retained and would be repeated at every start: send it without retain")
    if len(incoming.payload) > LONGEST_BYTES:
        raise _RefusedPayloadError(f"its {len(incoming.payload)} bytes are more than the {LONGEST_BYTES} allowed")
    if not incoming.payload:
        raise _RefusedPayloadError("it is empty")


def _asked(address: Address, incoming: Incoming, *, vats: Sequence[VatConfig], at_us: int, dates: bool) -> Asked:
    row = COMMANDS_BY_VERB[address.verb, bool(address.alarm)]
    form = _decoded(_as_object(incoming.payload, address), row)
    if dates and form.at is not None and not isinstance(form, NoteForm | AcknowledgeForm | AcknowledgeAllForm):
        _check_age(form.at, at_us=at_us)
    delivery = _delivery(incoming, form.at)
    if isinstance(form, SpotForm):
        instrument = _printable(form.instrument)
        return SpotReport(
            vat=address.vat, at_us=at_us, ph=form.ph, u_ph=form.u, instrument=instrument, delivery=delivery
        )
    kind = CommandKind(address.verb)
    plain = Command(id=0, at_us=at_us, kind=kind, vat=address.vat, alarm=address.alarm, by=BY, delivery=delivery)
    if isinstance(form, AcknowledgeAllForm):
        return AcknowledgeAll(commands=_acknowledged(plain, form, vats=vats))
    return _filled(plain, form)


def _filled(plain: Command, form: Form) -> Command:
    """Return a command with what its form says."""
    match form:
        case AcknowledgeForm():
            return replace(plain, occurrence=form.occurrence)
        case ShelveForm():
            return replace(plain, occurrence=form.occurrence, duration_s=60.0 * form.minutes)
        case MarkForm():
            return replace(plain, note=form.mark.value, duration_s=_duration_s(form), litres=form.litres)
        case BatchForm():
            return replace(plain, note=_entry_text(form))
        case NoteForm():
            return replace(plain, note=_printable(form.text))
        case _:
            return plain


def _entry_text(form: BatchForm) -> str:
    """Return an entry of a batch as the inbox takes it."""
    text = msgspec.json.encode({"entry": form.entry, "fields": form.fields}).decode()
    try:
        batch_text.content_of(text)
    except RefusedError as refused:
        raise _RefusedPayloadError(str(refused)) from refused
    return text


def _acknowledged(plain: Command, form: AcknowledgeAllForm, *, vats: Sequence[VatConfig]) -> tuple[Command, ...]:
    """Return the acknowledgement of each alarm; one of a second probe stands after the name of its watch."""
    if not form.occurrences:
        raise _RefusedPayloadError("nothing stands that waits to be acknowledged")
    return tuple(_acknowledgement(plain, name, occurrence, vats=vats) for name, occurrence in form.occurrences.items())


def _acknowledgement(plain: Command, name: str, occurrence: int, *, vats: Sequence[VatConfig]) -> Command:
    watch, _, alarm = name.rpartition("/")
    vat = next((vat for vat in vats if vat.id == (watch or plain.vat)), None)
    if vat is None or (watch and vat.reference_of != plain.vat):
        raise _RefusedPayloadError(f"{escaped(watch)} is no second probe of vat {plain.vat}")
    _check_alarm(vat, alarm)
    delivery = f"{plain.delivery}-{name}" if plain.delivery else ""
    return replace(plain, vat=vat.id, alarm=alarm, occurrence=occurrence, delivery=delivery)


def _duration_s(form: MarkForm) -> float | None:
    """Return how long a mark holds, or of a start how long ago it was."""
    if form.minutes is not None and form.mark in (Mark.PROBE_IN, Mark.STARTED, Mark.ENDED):
        raise _RefusedPayloadError(f"'minutes' does not go with {form.mark}: it has no end to set")
    if form.hours_ago is not None and form.mark is not Mark.STARTED:
        raise _RefusedPayloadError(f"'hours_ago' goes with {Mark.STARTED}, not with {form.mark}")
    return 60.0 * form.minutes if form.minutes is not None else form.hours_ago and 3600.0 * form.hours_ago


def _printable(text: str) -> str:
    """Return a text that hides nothing: no control characters, no line ends, nothing that turns the writing round."""
    hidden = plain_text.hidden(text)
    if hidden:
        raise _RefusedPayloadError(f"it holds the character {hidden!a}: send one line of plain text")
    return text


def _as_object(payload: bytes, address: Address) -> bytes:
    """Return the payload as JSON: a bare value (`3`, `4.71`, `probe-out`, a note) is put into its object."""
    bare = payload.strip()
    if bare.startswith(b"{"):
        return payload
    verb = address.verb
    if verb == CommandKind.ACKNOWLEDGE and address.alarm and bare.isdigit():
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


def _decoded(payload: bytes, row: CommandRow) -> Form:
    try:
        form: Form = msgspec.json.decode(payload, type=row.form)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise _RefusedPayloadError(f"expected {row.example} ({escaped(str(error))})") from error
    for name, figure in row.figures.items():
        if why := figure.why_not(getattr(form, name)):
            raise _RefusedPayloadError(f"expected {row.example} ({why})")
    if form.at is not None and form.at.tzinfo is None:
        raise _RefusedPayloadError("'at' needs its time zone, as in 2026-11-25T02:10:00Z")
    return form
