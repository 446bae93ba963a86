"""What goes out and what comes back, as frozen objects.

Law: the network thread makes happenings and posts them; only the main loop reads them. No clock, no network.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message to publish at QoS 1. An empty retained payload removes what the broker retains."""

    topic: str
    payload: str
    retain: bool = False
    expiry_s: int | None = None
    """How long a broker may keep it for a subscriber that is away (MQTT 5.0, 3.3.2.3.3); None: for ever."""


@dataclass(frozen=True, slots=True)
class Connected:
    """The broker accepted us; nothing sent before is in flight any more."""


@dataclass(frozen=True, slots=True)
class Disconnected:
    """The connection ended or could not be made; `reason` is a sentence for a person."""

    reason: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """The broker took a message; `subscribers` False: it said that nobody listens (MQTT 5.0 reason 0x10)."""

    mid: int
    subscribers: bool = True


@dataclass(frozen=True, slots=True)
class Refused:
    """The broker answered a message with a failure: it was NOT delivered."""

    mid: int
    reason: str


@dataclass(frozen=True, slots=True)
class Unheard:
    """The broker refused a subscription: commands from there cannot reach us."""

    reason: str


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message on a topic we subscribed to."""

    topic: str
    payload: bytes
    retain: bool = False


Happening = Connected | Disconnected | Accepted | Refused | Unheard | Incoming
