"""Detects another store on the same topics or under the same client id.

Law: pure; time is an argument (steady, in real microseconds). Status and heartbeat name their store. A heartbeat is
never retained: its sender is running. A status of another store counts only after our own has arrived: then it was sent
later; else it may be what the broker retains of a store that is no more.
"""

import msgspec

from logger.config import MqttConfig
from logger.mqtt.messages import Connected, Disconnected, Incoming, NetworkEvent
from logger.mqtt.topics import Topics
from logger.structs import Struct
from logger.units import SECOND_US

_BEATS, _SHORTEST_BEAT_S = 3, 60.0
"""Another store is gone after so many heartbeats without one of its own, which may come more seldom than ours (common
practice, no source)."""


class _Sender(Struct):
    store: str = ""
    """Empty: of a version that does not say."""


class OtherStores(Struct, kw_only=True):
    """The signs of other stores at the broker. Used by the main loop only."""

    config: MqttConfig
    topics: Topics
    store: str
    """The identity of ours."""
    _own_status_seen: bool = False
    """Our own status has arrived."""
    _other_seen_us: int | None = None
    """When another store last sent a message."""
    _connected_us: int | None = None
    """When the connection was made; None: there is none."""

    def handle(self, event: NetworkEvent, now_us: int) -> None:
        """Handle an event of the network."""
        match event:
            case Connected():
                self._connected_us = now_us
            case Disconnected(taken_over=is_taken_over):
                self._connected_us = None
                self._other_seen_us = now_us if is_taken_over else self._other_seen_us
            case Incoming(topic, payload) if topic in self.topics.own:
                self._on_presence(topic, payload, now_us)

    def trouble(self, now_us: int) -> str | None:
        """Say that another store is there, and what to do; empty: it is not; None: not known yet, or not now."""
        quiet_us = round(_BEATS * max(_SHORTEST_BEAT_S, self.config.heartbeat_s) * SECOND_US)
        if self._other_seen_us is not None and now_us < self._other_seen_us + quiet_us:
            return (
                f"another store sends below {self.topics.root!r} or connects as {self.config.client_id!r}; in [mqtt] of"
                " one of the two set both base_topic and client_id to names of its own"
            )
        return None if self._connected_us is None or now_us < self._connected_us + quiet_us else ""

    def _on_presence(self, topic: str, payload: bytes, now_us: int) -> None:
        try:
            store = msgspec.json.decode(payload, type=_Sender).store
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            return  # no payload of ours
        is_status = topic == self.topics.status
        if store == self.store:
            self._own_status_seen |= is_status
        elif self._own_status_seen or not is_status:
            self._other_seen_us = now_us
