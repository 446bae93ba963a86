"""Builds the messages that tell what became of what a person said, and declares their payload.

Law: pure. A command is *taken* once it is stored, *refused* with the reason, *done* at the next record. What was taken
holds the value that was entered; two seconds later the same is sent without it, for a hub sends a value again only if
its box shows another.
"""

from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from logger.model import Answer, Command, CommandKind, Entry, Mark
from logger.mqtt.messages import Message
from logger.mqtt.payloads import Name, Payload, PayloadKind, Simulated, Time, json_text, rfc3339
from logger.mqtt.topics import PATTERNS, Topics
from logger.units import SECOND_US
from logger.watch.system import SYSTEM

SHOWN_US = 2 * SECOND_US
"""How long a value that was entered is shown (common practice, no source)."""
VALID_US = 30 * SECOND_US
"""An answer that the broker has not taken after so long is of no use any more (common practice, no source)."""


class SaidPayload(Payload, frozen=True, kw_only=True):
    """What became of what a person said."""

    vat: Annotated[Name | None, Meta(description="null: the system, or no vat that is watched")]
    at: Time
    answer: Annotated[
        Literal["taken", "done", "refused"], Meta(description="taken: stored; done: at the record that came next")
    ]
    text: Annotated[Name, Meta(description="What was said, what was done of it, or why it is refused")]
    litres: Annotated[float, Meta(description="Taken of topping up, for two seconds")] | UnsetType = UNSET
    note: Annotated[str, Meta(description="The note taken, for two seconds")] | UnsetType = UNSET
    meter: Annotated[float, Meta(description="The spot pH taken by a meter, for two seconds")] | UnsetType = UNSET
    strip: Annotated[float, Meta(description="The spot pH taken by a strip, for two seconds")] | UnsetType = UNSET
    simulated: Simulated


KIND = PayloadKind(name="said", form=SaidPayload, topics=(PATTERNS.said("<vat>"), PATTERNS.said(SYSTEM)))


def taken(topics: Topics, command: Command, *, at_us: int) -> tuple[Message, Message | None]:
    """Return that a command was stored, with what was entered, and the same without it (None: nothing was)."""
    vat, entered = _vat(command), _entered(command)
    bare = _payload(topics, vat, "taken", _words(command), at_us=at_us)
    shown = msgspec.structs.replace(bare, **entered)
    return _message(topics, vat, shown), _message(topics, vat, bare) if entered else None


def answered(topics: Topics, command: Command, answer: Answer, *, at_us: int) -> Message:
    """Return what the watch made of a command."""
    vat, words = _vat(command), _words(command)
    if answer.applied:
        return _message(topics, vat, _payload(topics, vat, "done", f"{words}: {answer.text}", at_us=at_us))
    return _message(topics, vat, _payload(topics, vat, "refused", f"{words}: {answer.text}", at_us=at_us))


def refused(topics: Topics, entry: Entry) -> Message:
    """Return the refusal of what never became a command."""
    vat = entry.vat or SYSTEM
    return _message(topics, vat, _payload(topics, vat, "refused", entry.text, at_us=entry.at_us))


def _payload(
    topics: Topics, vat: str, answer: Literal["taken", "done", "refused"], text: str, *, at_us: int
) -> SaidPayload:
    named = None if vat == SYSTEM else vat
    return SaidPayload(vat=named, at=rfc3339(at_us), answer=answer, text=text, simulated=topics.simulated)


def _message(topics: Topics, vat: str, content: SaidPayload) -> Message:
    return Message(topic=topics.said(vat), payload=json_text(content))


def _vat(command: Command) -> str:
    return command.vat or (command.check.vat if command.check else "") or SYSTEM


def _entered(command: Command) -> dict[str, Any]:
    """Return what was entered in a box of the hub, by the name of its field."""
    match command:
        case Command(kind=CommandKind.MARK, note=Mark.TOPPED_UP, litres=float(litres)):
            return {"litres": litres}
        case Command(kind=CommandKind.NOTE, note=note):
            return {"note": note}
        case Command(check=check) if check and check.instrument in ("meter", "strip"):
            return {check.instrument: check.reference_ph}
        case _:
            return {}


def _words(command: Command) -> str:
    """Say what was asked for."""
    match command:
        case Command(kind=CommandKind.MARK, note=mark):
            return mark if command.litres is None else f"{mark}, {command.litres:g} L"
        case Command(kind=CommandKind.BATCH):
            return "an entry of the batch"
        case Command(kind=CommandKind.NOTE, note=note):
            return f"note {note!r}"
        case Command(check=check) if check:
            return f"spot pH {check.reference_ph:.2f}" + (f" by {check.instrument}" if check.instrument else "")
        case _:
            return f"{command.kind} {command.alarm}".strip()
