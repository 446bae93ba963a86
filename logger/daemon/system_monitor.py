"""Gather the facts on which system alarms are judged, and keep what `system.step` carries.

Law: it decides nothing. Facts are judged at least once a second (real time), and at once when they change; only whether
events wait is left to the second, since that changes with each event. They are judged after what the probes made was
stored and sent, and a second later while an event is on its way: no event of a vat waits for them. What it says is a
batch of its own.

The outbox is late when it has not been empty for so long, by the steady clock: the age of an event by the wall clock
would jump with that.
"""

import logging
from collections import deque
from typing import Self

from logger.config import Config, VatConfig
from logger.daemon.clock import Clock, ClockReading
from logger.daemon.cycle import CycleResult
from logger.daemon.housekeeping import DiskSpace
from logger.model import Carry
from logger.mqtt.delivery import Delivery
from logger.structs import Struct, field
from logger.units import HOUR_US, SECOND_US
from logger.watch import system
from logger.watch.system import SystemFacts

log = logging.getLogger(__name__)

STEP_US = 5 * SECOND_US
"""A wall clock that runs away from the steady one by more than this (real time) was stepped.

Common practice, no source.
"""

STEPS_AN_HOUR = 6
"""So many steps of the wall clock are told in an hour (real time), the rest is counted: one that flaps must not fill
the journal. Common practice, no source."""


class SystemMonitor(Struct, kw_only=True):
    """What is known of the machine and the parts that run on it."""

    vat: VatConfig
    """The system's alarms."""
    carry: Carry
    speed: float
    drift_us: int
    """UTC minus watch time when last looked at."""
    disk: DiskSpace | None = None
    """What the disk was last found like; None: it was not looked at."""
    renewed: str = ""
    """What became of a store that was damaged or lost, until that was judged; empty: none was."""
    _told_us: deque[int] = field(default_factory=deque)
    """When the newest steps were told, watch time."""
    _untold: int = 0
    _judged_us: int | None = None
    _last: SystemFacts | None = None

    @classmethod
    def of(cls, config: Config, carry: Carry, *, clock: Clock, renewed: str = "") -> Self:
        """Return the watch over a system that carries this."""
        now = clock.read()
        drift_us = now.at_us - now.elapsed_us
        return cls(vat=system.vat_of(config), carry=carry, speed=clock.speed, drift_us=drift_us, renewed=renewed)

    def judge(
        self,
        batch: CycleResult,
        *,
        now: ClockReading,
        delivery: Delivery | None,
        shared: str | None,
        channels: str,
        store: str,
    ) -> bool:
        """Judge the facts of now into a batch, and what was asked.

        `shared`, `channels`: as in `SystemFacts`; `store`: why it takes nothing.

        Return whether the wall clock was stepped.
        """
        facts = self._facts(now, delivery, shared=shared, channels=channels, store=store)
        period_us = SECOND_US * (2 if delivery and delivery.is_telling else 1)
        if not (batch.asked or self._is_due(facts, period_us)):
            return False
        self._judged_us, self._last, self.renewed = now.elapsed_us, facts, ""
        self._untold = 0 if facts.stepped_s else self._untold
        carry, entries, answers = system.step(self.vat, self.carry, facts, batch.asked, speed=self.speed)
        batch.entries += entries
        batch.answers += answers
        if entries or answers:
            batch.system = carry
        self.carry = carry
        return bool(facts.stepped_s)

    def _facts(
        self, now: ClockReading, delivery: Delivery | None, *, shared: str | None, channels: str, store: str
    ) -> SystemFacts:
        return SystemFacts(
            at_us=now.at_us,
            elapsed_us=now.elapsed_us,
            has_broker=delivery is not None,
            broker=delivery.away if delivery else "",
            channels=channels,
            shared=shared,
            refused=delivery.trouble if delivery else "",
            unheard=bool(delivery and delivery.has_no_subscriber),
            waiting=delivery.waiting if delivery else 0,
            disk=self.disk.trouble if self.disk else None,
            disk_in_deadband=bool(self.disk and self.disk.in_deadband),
            store=store,
            renewed=self.renewed,
            stepped_s=self._stepped_s(now),
            steps_untold=self._untold,
        )

    def _stepped_s(self, now: ClockReading) -> float:
        drift_us = now.at_us - now.elapsed_us
        step_us, self.drift_us = drift_us - self.drift_us, drift_us
        return self._told_s(step_us / SECOND_US, now) if abs(step_us) > STEP_US * self.speed else 0.0

    def _told_s(self, step_s: float, now: ClockReading) -> float:
        """Return a step that is to be told; 0: there were too many within the hour, so it is counted."""
        while self._told_us and now.elapsed_us - self._told_us[0] >= HOUR_US * self.speed:
            self._told_us.popleft()
        if len(self._told_us) >= STEPS_AN_HOUR:
            self._untold += 1
            return 0.0
        self._told_us.append(now.elapsed_us)
        return step_s

    def _is_due(self, facts: SystemFacts, period_us: int) -> bool:
        if self._judged_us is None or self._last is None or facts.stepped_s:
            return True
        is_new = _wrong(facts) != _wrong(self._last)
        return is_new or facts.elapsed_us - self._judged_us >= period_us * self.speed


def _wrong(facts: SystemFacts) -> tuple[bool, ...]:
    return (
        bool(facts.broker),
        bool(facts.shared),
        bool(facts.disk),
        facts.disk_in_deadband,
        bool(facts.store),
    )
