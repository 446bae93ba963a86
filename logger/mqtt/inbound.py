"""Handles each inbound message: it becomes commands for the inbox, a refusal for the journal, or nothing.

Law: a command is accepted once, though the broker sends it again after the process died: the name of its delivery is
stored beside it in the inbox. A command that its sender dated is recognised as long as its name is among the newest
`REMEMBERED`; another by the broker's number and the words, as long as the broker remembers the session. The broker
keeps a message until its receipt is handed back, which is when the command (or its refusal) is stored. A command that
is one too many now waits for room, up to `MOST_LATE` of them; more are dropped and counted. Used by the main loop only.

A command is acknowledged to the broker after the commit that stored it (paho's `manual_ack`), so that a press survives
our death within milliseconds. What is left: a broker that gives the same number to the same bare words again and loses
the first transmission of the second press. Refusals are not remembered: one may be journalled twice. While the store
cannot be written the broker holds back what comes in (mosquitto: 20 messages), for then no command could take effect.
Of what waits for room we hold fewer than that: else a flood would keep an acknowledgement behind it.
"""

import logging
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from logger.config import Config, VatConfig
from logger.errors import RefusedError, refusing
from logger.measure import comparison
from logger.measure.comparison import Spot
from logger.model import Cause, Command, CommandKind, Entry, WatchState
from logger.mqtt import commands
from logger.mqtt.commands import AcknowledgeAll, Asked, SpotReport
from logger.mqtt.messages import Incoming, Receipt
from logger.mqtt.rate_limit import RateLimit
from logger.mqtt.topics import Topics
from logger.units import SECOND_US
from logger.watch import system

log = logging.getLogger(__name__)

REMEMBERED = 256
"""Deliveries that are recognised when they come again: hours of presses, more than a broker has in flight (common
practice, no source)."""

MOST_LATE = 10
"""Commands that wait for room here: half of what mosquitto has in flight (mosquitto.conf(5), max_inflight_messages)."""
LOOK_AGAIN_US = SECOND_US


@dataclass(slots=True, kw_only=True)
class Inbound:
    """The command topics of one installation."""

    config: Config
    topics: Topics
    vats: tuple[VatConfig, ...] = field(init=False)
    """Those that are watched, and the system."""
    rate_limit: RateLimit = field(default_factory=RateLimit)
    _deliveries: dict[str, None] = field(default_factory=dict)
    _held: list[Receipt] = field(default_factory=list)
    _free: list[Receipt] = field(default_factory=list)
    _late: list[Incoming] = field(default_factory=list)
    _looked_us: int = 0

    def __post_init__(self) -> None:
        """Count the system among the vats: its alarms are answered like theirs."""
        self.vats = (*self.config.vats, system.vat_of(self.config))

    def remember(self, deliveries: Iterable[str]) -> None:
        """Remember the names of accepted deliveries, oldest first."""
        self._deliveries.update(dict.fromkeys(filter(None, deliveries)))
        for name in list(self._deliveries)[:-REMEMBERED]:
            del self._deliveries[name]

    def connected(self, *, resumed: bool) -> None:
        """Forget the broker's numbers if it forgot the session: they begin anew; else it sends again what waits."""
        if resumed:
            self._late = []
        else:
            self._deliveries = {name: None for name in self._deliveries if not name.startswith("mid-")}

    def receive(
        self, incoming: Incoming, states: Mapping[str, WatchState], *, at_us: int, now_us: int
    ) -> Sequence[Command | Entry]:
        """Return the commands of a message, or its refusal; nothing: it is no command, a repeat, or one too many.

        `states`: the state of each vat's watch; `at_us`: UTC, `now_us`: real steady time.
        """
        try:
            with refusing("an MQTT message"):
                return self._receive(incoming, states, at_us=at_us, now_us=now_us)
        except RefusedError as refused:
            text = f"Command on {commands.escaped(incoming.topic)} refused: {refused}."
            entry = Entry(seq=0, at_us=at_us, vat="", cause=Cause.REFUSED, by=commands.BY, text=text)
            admitted = self.rate_limit.admit(entry, now_us)
            if incoming.receipt not in (*self._held, *self._free):  # else the broker would send it again for ever
                self._keep(incoming, self._free if admitted is None else self._held)
            return [admitted] if admitted else ()

    def receive_late(self, states: Mapping[str, WatchState], *, at_us: int, now_us: int) -> Iterator[Command | Entry]:
        """Yield as `receive` what waited for room and now has it; looked at once a second."""
        if not self._late or now_us - self._looked_us < LOOK_AGAIN_US:
            return
        late, self._late, self._looked_us = self._late, [], now_us
        for incoming in late:
            yield from self.receive(incoming, states, at_us=at_us, now_us=now_us)

    def _receive(
        self, incoming: Incoming, states: Mapping[str, WatchState], *, at_us: int, now_us: int
    ) -> Sequence[Command | Entry]:
        if not self.topics.is_command(incoming.topic):
            self._keep(incoming, self._free)
            return ()
        command = commands.command_of(incoming, self.topics, vats=self.vats, at_us=at_us)
        if not isinstance(command, Entry) and command.delivery in self._deliveries:
            if incoming.dup:
                log.info("The broker repeats a command on %s that was taken", commands.escaped(incoming.topic))
                self._keep(incoming, self._held)  # what it asked for may still wait for the store
                return ()
            if command.delivery.startswith("at-"):
                command = self._refusal(
                    incoming, "it was taken before: each needs a time ('at') of its own", at_us=at_us
                )
        return self._admitted(incoming, command, states, now_us=now_us)

    def _admitted(
        self, incoming: Incoming, command: Asked | Entry, states: Mapping[str, WatchState], *, now_us: int
    ) -> Sequence[Command | Entry]:
        """Return what is taken of a command or a refusal, if there is room for it."""
        can_wait = bool(incoming.receipt and len(self._late) < MOST_LATE and not isinstance(command, Entry))
        admitted = self.rate_limit.admit(command, now_us, can_wait=can_wait)
        if admitted is None and can_wait:
            self._late.append(incoming)
            return ()
        self._keep(incoming, self._free if admitted is None else self._held)
        if admitted is None or isinstance(admitted, Entry):
            return [admitted] if admitted else ()
        self.remember([admitted.delivery])
        match admitted:
            case SpotReport():
                return [self._check(incoming, admitted, states)]
            case AcknowledgeAll():
                return admitted.commands
            case Command():
                return [admitted]

    def take_held(self) -> list[Receipt]:
        """Return the receipts of commands and refusals since the last call: hand them back when those are stored."""
        held, self._held = self._held, []
        return held

    def take_free(self) -> list[Receipt]:
        """Return the receipts that can be handed back now."""
        free, self._free = self._free, []
        return free

    def _keep(self, incoming: Incoming, receipts: list[Receipt]) -> None:
        receipts += [incoming.receipt] if incoming.receipt else []

    def _refusal(self, incoming: Incoming, why: str, *, at_us: int) -> Entry:
        return commands.refusal_entry(incoming, self.topics, why=why, vats=self.vats, at_us=at_us)

    def _check(self, incoming: Incoming, report: SpotReport, states: Mapping[str, WatchState]) -> Command | Entry:
        """Return the check of the probe's present reading against a spot measurement, as a command."""
        vat = next(vat for vat in self.config.vats if vat.id == report.vat)
        probe, spot = self.config.probe(vat.probe), Spot(ph=report.ph, u_ph=report.u_ph, instrument=report.instrument)
        try:
            check = comparison.check_now(spot, states[vat.id], probe, vat=vat.id, by=commands.BY, at_us=report.at_us)
        except RefusedError as refusal:
            return self._refusal(incoming, str(refusal), at_us=report.at_us)
        return Command(
            id=0,
            at_us=report.at_us,
            kind=CommandKind.CHECK,
            vat="",
            probe=probe.id,
            check=check,
            by=commands.BY,
            delivery=report.delivery,
        )
