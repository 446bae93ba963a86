"""What is made of each message that comes in: a command for the inbox, a refusal for the journal, or nothing.

Law: a command that was taken is taken once, though the broker sends it again after a death of ours: its name stands in
the inbox beside it. What the sender dates is recognised for as long as its name is among the newest `REMEMBERED`; what
it does not, by the broker's number and the words, as long as the broker remembers the session. The broker keeps a
message until its receipt is handed back, which is when what it asks for (or its refusal) is stored. Used by the main
loop only.

A command is acknowledged to the broker after the commit that stored it (paho's `manual_ack`), so that a press survives
our death within milliseconds. What is left: a broker that gives the same number to the same bare words again and loses
the first transmission of the second press. Refusals are not remembered: one may be journalled twice. While the store
cannot be written the broker holds back what comes in (mosquitto: 20 messages), for then no command could take effect.
"""

import logging
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from logger.config import Config, VatConfig
from logger.errors import RefusedError
from logger.measure import comparison
from logger.measure.comparison import Spot
from logger.model import Command, CommandKind, Entry, WatchState
from logger.mqtt import commands
from logger.mqtt.commands import SpotAsked
from logger.mqtt.messages import Incoming, Receipt
from logger.mqtt.rate_limit import RateLimit
from logger.mqtt.topics import Topics
from logger.watch import system

log = logging.getLogger(__name__)

REMEMBERED = 256
"""Deliveries that are recognised when they come again: hours of presses, more than a broker has in flight. [CP]"""


@dataclass(slots=True, kw_only=True)
class Inbound:
    """Hears the command topics of one installation."""

    config: Config
    topics: Topics
    vats: tuple[VatConfig, ...] = field(init=False)
    """Those that are watched, and the system."""
    gate: RateLimit = field(default_factory=RateLimit)
    _known: dict[str, None] = field(default_factory=dict)
    _held: list[Receipt] = field(default_factory=list)
    _free: list[Receipt] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Count the system among the vats: its alarms are answered like theirs."""
        self.vats = (*self.config.vats, system.vat_of(self.config))

    def remember(self, deliveries: Iterable[str]) -> None:
        """Take note of deliveries that were taken, oldest first."""
        self._known.update(dict.fromkeys(filter(None, deliveries)))
        for name in list(self._known)[:-REMEMBERED]:
            del self._known[name]

    def begin(self, *, resumed: bool) -> None:
        """Take note of a new connection: where the broker forgot the session, its numbers begin anew."""
        if not resumed:
            self._known = {name: None for name in self._known if not name.startswith("mid-")}

    def hear(
        self, incoming: Incoming, states: Mapping[str, WatchState], *, at_us: int, now_us: int
    ) -> Command | Entry | None:
        """Return what a message asks for, or its refusal; None: it is no command, known already, or one too many.

        `states`: what each vat's watch knows; `at_us`: UTC, `now_us`: real steady time.
        """
        if not self.topics.is_command(incoming.topic):
            self._keep(incoming, self._free)
            return None
        asked = commands.command_of(incoming, self.topics, vats=self.vats, at_us=at_us)
        if not isinstance(asked, Entry) and asked.delivery in self._known:
            if incoming.dup:
                log.info("The broker repeats a command on %s that was taken", commands.shown(incoming.topic))
                self._keep(incoming, self._held)  # what it asked for may still wait for the store
                return None
            if asked.delivery.startswith("at-"):
                asked = self._refused(incoming, "it was taken before: each needs a time ('at') of its own", at_us=at_us)
        admitted = self.gate.admit(asked, now_us)
        self._keep(incoming, self._free if admitted is None else self._held)
        if admitted is None or isinstance(admitted, Entry):
            return admitted
        self.remember([admitted.delivery])
        return self._check(incoming, admitted, states) if isinstance(admitted, SpotAsked) else admitted

    def take_held(self) -> list[Receipt]:
        """Return the receipts of what was returned since the last call: hand them back when that is stored."""
        held, self._held = self._held, []
        return held

    def take_free(self) -> list[Receipt]:
        """Return the receipts that can be handed back now."""
        free, self._free = self._free, []
        return free

    def _keep(self, incoming: Incoming, receipts: list[Receipt]) -> None:
        receipts += [incoming.receipt] if incoming.receipt else []

    def _refused(self, incoming: Incoming, why: str, *, at_us: int) -> Entry:
        return commands.refused(incoming, self.topics, why=why, vats=self.vats, at_us=at_us)

    def _check(self, incoming: Incoming, asked: SpotAsked, states: Mapping[str, WatchState]) -> Command | Entry:
        """Return the check that a spot measurement makes with what the probe reads now, as a command."""
        vat = next(vat for vat in self.config.vats if vat.id == asked.vat)
        probe, said = self.config.probe(vat.probe), Spot(ph=asked.ph, u_ph=asked.u_ph, instrument=asked.instrument)
        try:
            made = comparison.check_now(said, states[vat.id], probe, vat=vat.id, by=commands.BY, at_us=asked.at_us)
        except RefusedError as refusal:
            return self._refused(incoming, str(refusal), at_us=asked.at_us)
        return Command(
            id=0,
            at_us=asked.at_us,
            kind=CommandKind.CHECK,
            vat="",
            probe=probe.id,
            check=made,
            by=commands.BY,
            delivery=asked.delivery,
        )
