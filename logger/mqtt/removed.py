"""Clears what the broker retains of what is configured no more, at the broker and at the hub.

Law: no clock, no network: time is an argument (steady, in real microseconds). An empty message removes an entity from a
hub that runs. A hub that was away meanwhile keeps it for ever as unavailable, and another empty message does nothing:
so, on the hub's birth, the entity is announced once more, and removed two seconds after the broker has that. Until this
was done once the topics are remembered in the store.

What a hub holds disabled it keeps as long as the device has other entities: it does not read their topics.
"""

from collections.abc import Callable, Iterable, Mapping

from logger.mqtt.messages import Message
from logger.mqtt.payloads import json_text
from logger.structs import Struct, field
from logger.units import SECOND_US

AGAIN_US = 2 * SECOND_US
"""How long a hub is given to read an announcement (tried: two seconds are enough)."""
_NOWHERE = "removed"
_SMALLEST: Mapping[str, Mapping[str, object]] = {
    "sensor": {"state_topic": _NOWHERE},
    "binary_sensor": {"state_topic": _NOWHERE},
    "event": {"state_topic": _NOWHERE, "event_types": [_NOWHERE]},
    "button": {"command_topic": _NOWHERE},
    "number": {"command_topic": _NOWHERE},
    "text": {"command_topic": _NOWHERE},
}
"""By component, what an announcement must hold for a hub to take it."""


class RemovedTopics(Struct, kw_only=True):
    """The topics that are to be cleared. Used by the main loop only."""

    put: Callable[[Message], None]
    """Sets a standing message."""
    is_sent: Callable[[str], bool]
    """Whether the broker has what was set last of a topic."""
    device_of: Callable[[str], str | None]
    """The device of an entity, by its unique id: with its last entity it goes, too."""
    topics: set[str] = field(default_factory=set)
    is_done: bool = False
    """A hub that listened has forgotten them: the store may forget them, too."""
    _next: Callable[[int], None] | None = None
    """What is done once the broker has what was set."""
    _empty_us: int = 0

    def clear(self, old: Iterable[str], new: Iterable[str]) -> None:
        """Clear what was retained once and is configured no more."""
        self.topics = set(old) - set(new)
        self._put_empty()

    def hub_started(self) -> None:
        """Announce the entities once more: the hub may have been away when they were removed."""
        for topic in sorted(self.topics):
            if message := self._again(topic):
                self.put(message)
        self._next = self._wait if self.topics else None

    def follow(self, now_us: int) -> None:
        """Remove them once the hub has had the time to read the announcements; then all is done."""
        if self._next and all(map(self.is_sent, self.topics)):
            self._next(now_us)

    def forget(self) -> None:
        """Forget them: the store has."""
        self.topics, self.is_done = set(), False

    def _again(self, topic: str) -> Message | None:
        """Return the smallest announcement of an entity that was there once; None: it is no topic of one."""
        match topic.split("/"):
            case [_, *_, component, unique_id, "config"] if component in _SMALLEST:
                device = self.device_of(unique_id)
                below = {"device": {"identifiers": [device]}} if device else {}
                content = {"name": _NOWHERE, "unique_id": unique_id, "qos": 1, **_SMALLEST[component], **below}
                return Message(topic=topic, payload=json_text(content), retain=True)
            case _:
                return None

    def _wait(self, now_us: int) -> None:
        self._empty_us, self._next = now_us + AGAIN_US, self._remove

    def _remove(self, now_us: int) -> None:
        if now_us >= self._empty_us:
            self._put_empty()
            self._next = self._end

    def _end(self, _now_us: int) -> None:
        self.is_done, self._next = True, None

    def _put_empty(self) -> None:
        for topic in sorted(self.topics):
            self.put(_empty(topic))


def _empty(topic: str) -> Message:
    return Message(topic=topic, payload="", retain=True)
