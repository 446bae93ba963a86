"""Declares what our payloads have in common: their base, their kinds, and how times, numbers and words stand in them.

Law: pure. JSON in UTF-8, times RFC 3339 in UTC with Z, an unknown number is null and never NaN, no unknown keys, every
payload says whether it is simulated. A payload is a Struct that is encoded as it stands, so its fields are declared in
the order of the wire; its JSON Schema is generated from it (`python -m logger.mqtt.schemas`).
"""

import math
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from logger.config import Priority
from logger.model import Quality
from logger.structs import Struct, field

COVERAGE_FACTOR: Final = 2
"""k of the expanded uncertainty U = k u, about 95 % (JCGM 100:2008, 6.2.1 and 6.3.3)."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Payload(msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """The base of each payload and of its parts: closed, so no key is sent or taken that is not declared."""


def one_of(words: Iterable[str], description: str | None = None) -> Meta:
    """Return the annotation of a text that is one of these words."""
    return Meta(description=description, extra_json_schema={"enum": list(words)})


Simulated = Annotated[bool, Meta(description="True: no real vat is watched")]
Name = Annotated[str, Meta(min_length=1)]
Time = Annotated[str, Meta(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z$", description="RFC 3339, UTC")]
Count = Annotated[int, Meta(ge=0)]
Probability = Annotated[float, Meta(ge=0, le=1)]
PriorityWord = Annotated[str, one_of(Priority)]
StandardUncertainty = Annotated[float | None, Meta(description="Standard uncertainty of value (k = 1)")]
Occurrence = Annotated[int, Meta(ge=0, description="Counts the annunciations of this alarm from 1; 0: never yet")]
PhoneLines = Annotated[tuple[Name, ...], Meta(max_length=3)]


class PayloadKind(Struct, frozen=True, kw_only=True):
    """A kind of message: the name of its schema, its payload (whose docstring says what it tells), its topics."""

    name: str
    form: type[msgspec.Struct]
    topics: tuple[str, ...]
    bare: Any = None
    """The type of the bare value that may be received in its place; None: no such value."""
    more: Mapping[str, object] = field(default_factory=dict)
    """What its schema asks for that a type cannot say."""
    retained: bool = False
    received: bool = False
    """We subscribe to it; else we publish it."""

    @property
    def description(self) -> str:
        """Say where it is sent or received, and what it tells."""
        where, text = " or ".join(self.topics), self.form.__doc__
        if self.received:
            return f"Received on {where}, never retained. {text}"
        return f"Retained on {where}. {text}" if self.retained else f"On {where}, not retained. {text}"


def rfc3339(at_us: int) -> str:
    """Return UTC microseconds as RFC 3339 with Z and all six decimals."""
    moment = _EPOCH + timedelta(microseconds=at_us)
    return moment.replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def rfc3339_or_none(at_us: int | None) -> str | None:
    """Return UTC microseconds as RFC 3339; None where no time is known."""
    return None if at_us is None else rfc3339(at_us)


def json_text(content: object) -> str:
    """Return a payload as JSON text."""
    return msgspec.json.encode(content).decode()


def number(value: float | None, digits: int) -> float | None:
    """Return a number rounded for reading; None where it is unknown or not finite."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def quality_word(quality: int) -> str:
    """Say a quality flag: pass, not-evaluated, suspect, fail or missing."""
    return Quality(quality).name.lower().replace("_", "-")
