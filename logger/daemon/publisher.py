"""Publish to the hub what it must know, from the state of the watch to the broker.

Law: standing states are built from what is carried now, never from a backlog; only events queue. A measurement that is
no longer current is never sent. Inbound messages are handled in mqtt/inbound.py.

Without a broker no events are made: the journal tells all, and nothing old floods a broker that is added later.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from operator import attrgetter
from typing import Self

from logger.alarm.belief_words import evidence_of
from logger.config import AlarmConfig, Config, MqttConfig, VatConfig
from logger.daemon.clock import ClockReading
from logger.model import AlarmState, Answer, Carry, Command, Entry, Event, Outcome
from logger.mqtt import commands, discovery, said
from logger.mqtt.alarm_state import alarm_message
from logger.mqtt.client import Client
from logger.mqtt.delivery import Delivery
from logger.mqtt.entity import EntityFactory, Software
from logger.mqtt.forecast import forecast_message
from logger.mqtt.health import health_message, probe_health
from logger.mqtt.inbound import Inbound
from logger.mqtt.measurement import measurement_message
from logger.mqtt.messages import Connected, Incoming, Message, NetworkEvent, Receipt
from logger.mqtt.other_stores import OtherStores
from logger.mqtt.removed import RemovedTopics
from logger.mqtt.status import heartbeat_message, status_message
from logger.mqtt.target import target_message
from logger.mqtt.topics import Topics
from logger.mqtt.vat_alarms import alarms_message, alarms_payload
from logger.units import SECOND_US
from logger.watch import system, trust_words

OF_EACH_RECORD = {"kind", "pending_us", "seen_us", "reminders", "timer_us", "newest", "newest_u", "abnormal_at_us"}
"""Fields of the state of an alarm that no standing message tells; most change with each record."""
_told = attrgetter(*[name for name in AlarmState.__struct_fields__ if name not in OF_EACH_RECORD])


@dataclass(slots=True, kw_only=True)
class Publisher:
    """The home-automation hub behind a broker, as the main loop sees it."""

    config: Config
    mqtt: MqttConfig
    software: Software
    store: str
    """The identity of the store whose watch this is."""
    post: Callable[[NetworkEvent], None]
    topics: Topics = field(init=False)
    client: Client = field(init=False)
    delivery: Delivery = field(init=False)
    inbound: Inbound = field(init=False)
    others: OtherStores = field(init=False)
    removed: RemovedTopics = field(init=False)
    vats: tuple[VatConfig, ...] = field(init=False)
    """Those that are watched, and the system."""
    _beat_us: int = 0
    _alarms: dict[str, Mapping[str, AlarmState]] = field(default_factory=dict)
    """By watch, the states of its alarms now."""
    _bare: dict[str, tuple[Message, int]] = field(default_factory=dict)
    """By topic, what follows a value that was entered, and when."""
    _unannounced: list[Callable[[], list[Message]]] = field(default_factory=list)
    """What makes the announcements of buttons that carry what has changed."""

    @classmethod
    def of(cls, config: Config, *, version: str, store: str, post: Callable[[NetworkEvent], None]) -> Self | None:
        """Return the hub of a configuration; None: it names no broker."""
        if config.mqtt is None:
            return None
        return cls(config=config, mqtt=config.mqtt, software=Software(version=version), store=store, post=post)

    def __post_init__(self) -> None:
        """Build the client; nothing connects before `start`."""
        self.vats = (*self.config.vats, system.vat_of(self.config))
        self.topics = Topics.of(self.mqtt, simulated=self.config.simulated)
        will = status_message(self.topics, online=False, store=self.store)
        subscriptions, own = self.topics.subscriptions, self.topics.own
        self.client = Client(
            config=self.mqtt, will=will, subscriptions=subscriptions, qos0_subscriptions=own, post=self.post
        )
        self.delivery = Delivery(topics=self.topics, publish=self.client.publish, reconnect=self.client.reconnect)
        self.removed = RemovedTopics(
            put=self.delivery.put, is_sent=self.delivery.is_sent, device_of=self.entities.device_of
        )
        self.inbound = Inbound(config=self.config, topics=self.topics)
        self.others = OtherStores(config=self.mqtt, topics=self.topics, store=self.store)

    @property
    def entities(self) -> EntityFactory:
        """Return what makes the messages that announce entities."""
        return EntityFactory(topics=self.topics, software=self.software)

    def start(
        self, carries: Mapping[str, Carry], unsent: Iterable[Event], *, retained: Iterable[str], at_us: int
    ) -> None:
        """Announce everything as it stands at that UTC, queue what an earlier run could not deliver, and connect.

        `retained`: topics where an earlier run left messages; those that no vat or alarm has any more are cleared.
        """
        self.publish_standing(carries, at_us=at_us)
        self.removed.clear(retained, self.retained())
        self.delivery.offer(unsent)
        self.client.start()

    def publish_standing(self, carries: Mapping[str, Carry], *, at_us: int) -> None:
        """Set every standing message as it is at that UTC."""
        occurrences = {
            f"{vat.id}/{alarm.id}": carries[vat.id].alarms[alarm.id].occurrence
            for vat in self.vats
            for alarm in vat.alarms
            if alarm.id in carries[vat.id].alarms
        }
        self._alarms = {vat.id: carries[vat.id].alarms for vat in self.vats}
        self.delivery.put(status_message(self.topics, online=True, store=self.store))
        for message in discovery.announcements(self.config, self.entities, occurrences=occurrences):
            self.delivery.put(message)
        for vat in self.vats:
            self._show_alarms(vat, vat.alarms)
            self._publish_condition(vat, carries[vat.id], at_us=at_us)
        self.announce_buttons()

    def retained(self) -> list[str]:
        """Return the topics where the broker retains, or will retain, a message of ours."""
        return discovery.retained(self.delivery.standing)

    def publish_outcome(self, outcome: Outcome, *, now_us: int) -> None:
        """Set the standing states and the newest measurement of a vat; `now_us` is real steady time."""
        self.publish_alarms(outcome)
        self.announce_buttons()
        self.publish_rest(outcome, now_us=now_us)

    def publish_alarms(self, outcome: Outcome) -> None:
        """Set what must stand at the hub when an event of this outcome comes: alarms, from which buttons answer."""
        vat = self._vat(outcome.vat)
        self._publish_alarms(vat, outcome.carry)
        self._renew_buttons(vat, outcome.carry, outcome.entries)

    def announce_buttons(self) -> None:
        """Announce the buttons anew that carry what has changed."""
        changed, self._unannounced = self._unannounced, []
        for messages in changed:
            for message in messages():
                self.delivery.put(message)

    def publish_rest(self, outcome: Outcome, *, now_us: int) -> None:
        """Set what no event waits for: target, forecast, condition of the probe, the newest measurement."""
        vat = self._vat(outcome.vat)
        self._publish_condition(vat, outcome.carry, at_us=int(outcome.measurements.at_us[-1]))
        fresh_s = discovery.stale_s(self.config, vat)
        message = measurement_message(
            self.topics,
            vat.id,
            probe=outcome.probe,
            rows=outcome.measurements,
            evidence=evidence_of(outcome.carry, vat.people),
            expiry_s=fresh_s,
        )
        self.delivery.latest(message, now_us + fresh_s * SECOND_US)

    def publish_system(self, carry: Carry, entries: Sequence[Entry]) -> None:
        """Set the standing states of the system's alarms after these entries."""
        vat = self.vats[-1]
        self._publish_alarms(vat, carry)
        self._renew_buttons(vat, carry, [entry for entry in entries if not entry.vat])

    def _renew_buttons(self, vat: VatConfig, carry: Carry, entries: Iterable[Entry]) -> None:
        """Note the buttons of each alarm that has a new occurrence: they carry it, so they are announced anew."""
        new = {entry.alarm for entry in entries if entry.annunciates or entry.held}
        for alarm in vat.alarms if self.topics.discovery_prefix is not None else ():
            if alarm.id in new:
                occurrence = carry.alarms[alarm.id].occurrence
                buttons = partial(discovery.alarm_buttons, self.entities, vat, alarm, occurrence=occurrence)
                self._unannounced.append(buttons)

    def publish_taken(self, taken: Iterable[Command], *, at_us: int, now_us: int) -> None:
        """Tell that commands from outside are stored, and show for two seconds what was entered."""
        for command in taken:
            shown, bare = said.taken(self.topics, command, at_us=at_us)
            self._answer(shown, now_us=now_us)
            if bare:
                self._bare[bare.topic] = (bare, now_us + said.SHOWN_US)

    def publish_answers(self, asked: Iterable[Command], answers: Iterable[Answer], *, at_us: int, now_us: int) -> None:
        """Tell what the watch made of commands that came from outside."""
        asked_by_id = {command.id: command for command in asked if command.by == commands.BY}
        for answer in answers:
            if answer.command in asked_by_id:
                message = said.answered(self.topics, asked_by_id[answer.command], answer, at_us=at_us)
                self._answer(message, now_us=now_us)

    def publish_refusal(self, entry: Entry, *, now_us: int) -> None:
        """Tell that what came from outside is no command."""
        self._answer(said.refused(self.topics, entry), now_us=now_us)

    def _answer(self, message: Message, *, now_us: int) -> None:
        """Tell something; it also takes back what was shown as entered."""
        self._bare.pop(message.topic, None)
        self.delivery.answer(message, now_us + said.VALID_US)

    def follow(self, now_us: int) -> None:
        """Do what is due by the time: take back what was entered, clear what was removed."""
        self.removed.follow(now_us)
        for message, due_us in [*self._bare.values()]:
            if now_us >= due_us:
                self._answer(message, now_us=now_us)

    def publish_heartbeat(
        self, carries: Mapping[str, Carry], waiting: int, oldest_at_us: int | None, *, now: ClockReading, now_us: int
    ) -> None:
        """Send a heartbeat when one is due; `now_us` is real steady time."""
        if now_us < self._beat_us:
            return
        self._beat_us = now_us + round(self.mqtt.heartbeat_s * SECOND_US)
        message = heartbeat_message(
            self.topics,
            at_us=now.at_us,
            store=self.store,
            believed_age_s={vat: _age_s(carry.reported.believed_us, now.elapsed_us) for vat, carry in carries.items()},
            waiting=waiting,
            oldest_at_us=oldest_at_us,
        )
        self.delivery.latest(message, self._beat_us)

    def handle(self, happening: NetworkEvent, now_us: int) -> None:
        """Take in what the network did; `now_us` is real steady time."""
        self.delivery.handle(happening, now_us)
        match happening:
            case Connected(resumed):
                self.inbound.connected(resumed=resumed)
            case Incoming() if self.delivery.is_birth(happening):
                self._beat_us = 0
                self.removed.hub_started()
        self.others.handle(happening, now_us)

    def acknowledge(self, receipts: Iterable[Receipt]) -> None:
        """Let the broker forget what was stored, and what asks for nothing."""
        self.client.acknowledge([*receipts, *self.inbound.take_free()])

    def _vat(self, name: str) -> VatConfig:
        return next(vat for vat in self.config.vats if vat.id == name)

    def _publish_alarms(self, vat: VatConfig, carry: Carry) -> None:
        """Set the alarms of a watch that changed since they were told: at most records none has."""
        before, self._alarms[vat.id] = self._alarms.get(vat.id, {}), carry.alarms
        changed = [alarm for alarm in vat.alarms if _differs(before.get(alarm.id), carry.alarms.get(alarm.id))]
        if changed:
            self._show_alarms(vat, changed)

    def _show_alarms(self, vat: VatConfig, alarms: Iterable[AlarmConfig]) -> None:
        for alarm in alarms:
            state = self._alarms[vat.id].get(alarm.id, AlarmState())
            self.delivery.put(alarm_message(self.topics, vat, alarm=alarm, state=state))
        self._publish_standing_alarms(vat)

    def _publish_condition(self, vat: VatConfig, carry: Carry, *, at_us: int) -> None:
        if vat.id == system.SYSTEM:
            return
        shown = target_message(self.topics, vat, carry, at_us=at_us)
        if shown is not None:
            self.delivery.put(shown)
        foreseen = forecast_message(self.topics, vat, carry)
        if foreseen is not None:
            self.delivery.put(foreseen)
        status, findings = probe_health(vat, carry, config=self.config, at_us=at_us)
        trust = trust_words.shown(carry, trust_words.clock_of(vat.people))
        self.delivery.put(health_message(self.topics, vat.probe, status=status, findings=findings, trust=trust))

    def _publish_standing_alarms(self, watch: VatConfig) -> None:
        """Set what stands of the vat of a watch, its second probe included, and the button that answers it."""
        main = next(vat for vat in self.vats if vat.id == (watch.reference_of or watch.id))
        watches = [main, *(vat for vat in self.vats if vat.reference_of == main.id)]
        held = [(vat, self._alarms.get(vat.id, {})) for vat in watches]
        content = alarms_payload(main, held, simulated=self.topics.simulated)
        self.delivery.put(alarms_message(self.topics, main, content))
        if self.topics.discovery_prefix is not None:
            button = partial(discovery.acknowledge_all, self.entities, main, content.occurrences)
            self._unannounced.append(button)


def _differs(before: AlarmState | None, now: AlarmState | None) -> bool:
    return before is not now and _told(before or AlarmState()) != _told(now or AlarmState())


def _age_s(then_us: int | None, elapsed_us: int) -> float | None:
    """Return the age (s) of what was at that watch time: setting the clock back makes nothing fresh."""
    return None if then_us is None else (elapsed_us - then_us) / SECOND_US
