"""Declares the messages and the events of the network, as frozen objects.

Law: the network thread makes the events and posts them; only the main loop reads them. No clock, no network.
"""

from logger.structs import Struct


class Message(Struct, frozen=True, kw_only=True):
    """One message to publish at QoS 1. An empty retained payload removes what the broker retains."""

    topic: str
    payload: str
    retain: bool = False
    expiry_s: int | None = None
    """How long a broker may keep it for a subscriber that is away (MQTT 5.0, 3.3.2.3.3); None: for ever."""


class Connected(Struct, frozen=True):
    """The broker accepted us; nothing sent before is in flight any more."""

    resumed: bool = False
    """It remembers the session: what it sent and was not acknowledged for comes again, under the same number."""


class Disconnected(Struct, frozen=True):
    """The connection ended or could not be made; `reason` is a sentence for a person."""

    reason: str
    taken_over: bool = False
    """The broker said that another client came under our id (MQTT 5.0 reason 0x8E); MQTT 3.1.1 has no word for it."""


class PublishAccepted(Struct, frozen=True):
    """The broker accepted a message; `subscribers` False: it has none for it (MQTT 5.0 reason 0x10)."""

    mid: int
    subscribers: bool = True


class PublishRefused(Struct, frozen=True):
    """The broker answered a message with a failure: the message was NOT delivered."""

    mid: int
    reason: str


class SubscriptionRefused(Struct, frozen=True):
    """The broker refused a subscription: commands on its topics cannot reach us."""

    reason: str


class Incoming(Struct, frozen=True):
    """A message on a topic we subscribed to; the broker keeps it until `receipt` is handed back."""

    topic: str
    payload: bytes
    retain: bool = False
    receipt: "Receipt | None" = None
    """None: sent at QoS 0, so the broker waits for nothing."""
    dup: bool = False
    """The broker says that it may have sent this before."""

    @property
    def mid(self) -> int:
        """Return the broker's number of the message; 0: it has none."""
        return self.receipt.mid if self.receipt else 0


class Receipt(Struct, frozen=True):
    """What the broker waits for: the number of a message on one connection (the next one counts anew)."""

    mid: int
    connection: int


NetworkEvent = Connected | Disconnected | PublishAccepted | PublishRefused | SubscriptionRefused | Incoming
