"""The deliver cycle: what the hub must know, from the state of the watch to the broker.

Law: standing states are built from what is carried now, never from a backlog; only events queue. A measurement that is
no longer current is never sent. Everything that comes in is a command for the inbox or a refusal for the journal.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from logger.clock import Reading
from logger.config import Config, MqttConfig, VatConfig
from logger.model import AlarmState, Carry, Command, Entry, Event, Outcome
from logger.mqtt import commands, discovery, payloads
from logger.mqtt.client import Client
from logger.mqtt.delivery import Delivery
from logger.mqtt.discovery import Maker
from logger.mqtt.gate import Gate
from logger.mqtt.health import probe_health
from logger.mqtt.messages import Happening, Incoming
from logger.mqtt.topics import Topics

SECOND_US = 1_000_000


@dataclass(slots=True, kw_only=True)
class Hub:
    """The home-automation hub behind a broker, as the main loop sees it."""

    config: Config
    mqtt: MqttConfig
    maker: Maker
    post: Callable[[Happening], None]
    topics: Topics = field(init=False)
    client: Client = field(init=False)
    delivery: Delivery = field(init=False)
    gate: Gate = field(default_factory=Gate)
    _beat_us: int = 0

    def __post_init__(self) -> None:
        """Build the client; nothing connects before `start`."""
        self.topics = Topics.of(self.mqtt, simulated=self.config.simulated)
        will = payloads.status(self.topics, online=False)
        self.client = Client(config=self.mqtt, will=will, heard=self.topics.heard, post=self.post)
        self.delivery = Delivery(topics=self.topics, publish=self.client.publish, reconnect=self.client.reconnect)

    def start(
        self, carries: Mapping[str, Carry], unsent: Iterable[Event], *, retained: Iterable[str], at_us: int
    ) -> None:
        """Announce everything as it stands at that UTC, queue what an earlier run could not deliver, and connect.

        `retained`: topics where an earlier run left messages; those that no vat or alarm has any more are cleared.
        """
        occurrences = {
            f"{vat.id}/{alarm.id}": carries[vat.id].alarms[alarm.id].occurrence
            for vat in self.config.vats
            for alarm in vat.alarms
            if alarm.id in carries[vat.id].alarms
        }
        self.delivery.put(payloads.status(self.topics, online=True))
        for message in discovery.announcements(self.config, self.topics, maker=self.maker, occurrences=occurrences):
            self.delivery.put(message)
        for vat in self.config.vats:
            self._stand(vat, carries[vat.id], at_us=at_us)
        for message in discovery.ghosts(retained, self.retained()):
            self.delivery.put(message)
        self.delivery.offer(unsent)
        self.client.start()

    def retained(self) -> list[str]:
        """Return the topics where the broker retains, or will retain, a message of ours."""
        return discovery.retained(self.delivery.standing)

    def show(self, outcome: Outcome, *, now_us: int) -> None:
        """Set the standing states and the newest measurement of a vat; `now_us` is real steady time."""
        vat = next(vat for vat in self.config.vats if vat.id == outcome.vat)
        self._stand(vat, outcome.carry, at_us=int(outcome.measurements.at_us[-1]))
        for alarm in vat.alarms:
            if any((entry.annunciates or entry.held) and entry.alarm == alarm.id for entry in outcome.entries):
                occurrence = outcome.carry.alarms[alarm.id].occurrence
                if self.topics.discovery_prefix is not None:
                    self.delivery.put(
                        discovery.acknowledge_button(
                            self.topics, vat, alarm=alarm, occurrence=occurrence, maker=self.maker
                        )
                    )
        fresh_s = discovery.stale_s(self.config, vat)
        message = payloads.measurement(
            self.topics, vat.id, probe=outcome.probe, rows=outcome.measurements, expiry_s=fresh_s
        )
        self.delivery.latest(message, now_us + fresh_s * SECOND_US)

    def beat(
        self, carries: Mapping[str, Carry], waiting: int, oldest_at_us: int | None, *, now: Reading, now_us: int
    ) -> None:
        """Send a heartbeat when one is due; `now_us` is real steady time."""
        if now_us < self._beat_us:
            return
        self._beat_us = now_us + round(self.mqtt.heartbeat_s * SECOND_US)
        message = payloads.heartbeat(
            self.topics,
            at_us=now.at_us,
            believed_age_s={vat: _age_s(carry.believed_us, now.elapsed_us) for vat, carry in carries.items()},
            waiting=waiting,
            oldest_at_us=oldest_at_us,
        )
        self.delivery.latest(message, self._beat_us)

    def command_of(self, incoming: Incoming, *, at_us: int, now_us: int) -> Command | Entry | None:
        """Return what a message asks for, or its refusal; None if it is none of our command topics or one too many."""
        if not self.topics.is_command(incoming.topic):
            return None
        asked = commands.command_of(incoming, self.topics, vats=self.config.vats, at_us=at_us)
        return self.gate.admit(asked, now_us)

    def _stand(self, vat: VatConfig, carry: Carry, *, at_us: int) -> None:
        for alarm in vat.alarms:
            state = carry.alarms.get(alarm.id, AlarmState())
            self.delivery.put(payloads.alarm_state(self.topics, vat, alarm=alarm, state=state))
        status, findings = probe_health(vat, carry, config=self.config, at_us=at_us)
        self.delivery.put(payloads.health(self.topics, vat.probe, status=status, findings=findings))


def _age_s(then_us: int | None, elapsed_us: int) -> float | None:
    """Return the age (s) of what was at that watch time: setting the clock back makes nothing fresh."""
    return None if then_us is None else (elapsed_us - then_us) / SECOND_US
