"""Whether another store speaks where this one does: on its topics, or under its client id.

Law: pure; time is an argument (steady, in real microseconds). Status and heartbeat say of which store they are. A
heartbeat is never retained: who sends one lives. A status of another store counts only after our own was heard: then it
was sent later; else it may be what the broker retains of a store that is no more.
"""

from dataclasses import dataclass, field

import msgspec

from logger.config import MqttConfig
from logger.mqtt.messages import Connected, Disconnected, Incoming, NetworkEvent
from logger.mqtt.topics import Topics
from logger.units import SECOND_US

_BEATS, _SHORTEST_BEAT_S = 3, 60.0
"""Another store that was not heard for so many heartbeats is gone; its own may come more seldom than ours. [CP]"""


class _Said(msgspec.Struct):
    store: str = ""
    """Empty: of a version that does not say."""


@dataclass(slots=True, kw_only=True)
class Others:
    """Listens for other stores. Used by the main loop only."""

    config: MqttConfig
    topics: Topics
    store: str
    """The identity of ours."""
    _is_said: bool = field(default=False, init=False)
    """Our status was heard."""
    _heard_us: int | None = field(default=None, init=False)
    """When another store was last heard."""
    _listens_us: int | None = field(default=None, init=False)
    """Since when nothing could be missed; None: there is no connection."""

    def on(self, happening: NetworkEvent, now_us: int) -> None:
        """Take in what the network did."""
        match happening:
            case Connected():
                self._listens_us = now_us
            case Disconnected(taken_over=is_taken_over):
                self._listens_us = None
                self._heard_us = now_us if is_taken_over else self._heard_us
            case Incoming(topic, payload) if topic in self.topics.own:
                self._hear(topic, payload, now_us)

    def trouble(self, now_us: int) -> str | None:
        """Say that another store is there, and what to do; empty: it is not; None: not known yet, or not now."""
        quiet_us = round(_BEATS * max(_SHORTEST_BEAT_S, self.config.heartbeat_s) * SECOND_US)
        if self._heard_us is not None and now_us < self._heard_us + quiet_us:
            return (
                f"another store sends below {self.topics.root!r} or connects as {self.config.client_id!r}; in [mqtt] of"
                " one of the two set both base_topic and client_id to names of its own"
            )
        return None if self._listens_us is None or now_us < self._listens_us + quiet_us else ""

    def _hear(self, topic: str, payload: bytes, now_us: int) -> None:
        try:
            store = msgspec.json.decode(payload, type=_Said).store
        except (msgspec.MsgspecError, UnicodeDecodeError):
            return  # nobody of ours says so
        is_status = topic == self.topics.status
        if store == self.store:
            self._is_said |= is_status
        elif self._is_said or not is_status:
            self._heard_us = now_us
