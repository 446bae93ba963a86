"""Read the probe for a session: through the running daemon, or from the port itself when no daemon runs.

Law: the port has one owner. While the daemon runs it is asked (ATTEND) to read every second and to hold back the
process alarms of the vat, and what it stored is read. LEAVE is said when the person said that the probe is back,
BREAK_OFF when the session ends without that word, also by the port itself: the next daemon must know. A session that
dies says neither; the daemon ends the attendance by its own time then, which is no word either.
"""

import logging
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from logger.config import ProbeConfig, VatConfig
from logger.daemon.clock import Clock
from logger.errors import RefusedError, StoreBusyError, VatvigilError
from logger.guided.immersion import ProbeReading
from logger.model import Block, Command, CommandKind, Indication, Reason
from logger.probe.reader import Reader
from logger.store import Store, history, queries
from logger.store.history import RecordSpan
from logger.structs import replace
from logger.units import SECOND_US

log = logging.getLogger(__name__)

ATTEND_S = 900.0
"""How long (s) the daemon is asked to attend at a time; who does nothing for so long has left. No source."""
LOOK_S = 0.1
ANSWER_S = 3.0
"""Real seconds that the daemon may take on top of two polls. Common practice, no source."""
LEAVE_TRIES = 20
NOT_BEGUN = "the work on the probe was not begun"
_NEVER = 2**62


class AbsentError(VatvigilError):
    """The daemon does not answer."""


class ReadingSource(ABC):
    """Readings of one probe, about one a second of the vat's time, inside its `with` block."""

    @property
    @abstractmethod
    def origin(self) -> str:
        """Say in one sentence where the readings come from."""

    @property
    @abstractmethod
    def silence(self) -> str:
        """Say what to look for when no reading comes."""

    def __enter__(self) -> Self:
        """Begin."""
        return self

    @abstractmethod
    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End; never raises for what stores and ports do."""

    @abstractmethod
    def readings(self) -> list[ProbeReading]:
        """Return what has come since the last time, oldest first."""

    @abstractmethod
    def stay(self) -> None:
        """Record that the person is still at work."""

    @abstractmethod
    def report_back(self) -> None:
        """Record that the person confirmed that the probe is back in its vat."""


def send_when_free(store: Store, command: Command) -> None:
    """Tell the daemon that the work is over, for which the store may have to be waited for."""
    for _ in range(LEAVE_TRIES):
        try:
            _put(store, command)
        except StoreBusyError as busy:
            log.debug("%s has to wait: %s", command.kind, busy)
            threading.Event().wait(LOOK_S)
        except VatvigilError as error:
            log.warning("The daemon could not be told that the work on the probe is over: %s", error)
            return
        else:
            return


def _put(store: Store, command: Command) -> int:
    with store.begin() as work:
        number = work.add_command(command)
        work.commit()
    return number


def ending(vat: str, clock: Clock, *, by: str, is_back: bool) -> Command:
    """Return the command that ends the work on the probe of a vat, with or without the word that it is back."""
    kind = CommandKind.LEAVE if is_back else CommandKind.BREAK_OFF
    return Command(id=0, at_us=clock.read().at_us, kind=kind, vat=vat, by=by)


@dataclass(slots=True, kw_only=True)
class DaemonReadings(ReadingSource):
    """What the running daemon stores."""

    store: Store
    vat: VatConfig
    probe: ProbeConfig
    clock: Clock
    by: str
    _next: int = 0
    _renew_us: int = 0
    _is_back: bool = False

    @property
    def origin(self) -> str:
        """Say in one sentence where the readings come from."""
        return (
            f"The daemon reads {self.probe.id} every second now; the process alarms of vat {self.vat.id} are held back "
            "until you say that the probe is back."
        )

    @property
    def silence(self) -> str:
        """Say what to look for when no reading comes."""
        return "the daemon stores no readings: does it still run? (`vatvigil status`)"

    def __enter__(self) -> Self:
        """Ask the daemon to attend. Raises AbsentError if it does not answer, RefusedError if it will not."""
        was_away = self._is_away()
        number = self._attend()
        try:
            answer = self._answer(number)
        except BaseException:  # nobody was told to lift the probe: it is where it was
            ended = ending(self.vat.id, self.clock, by=self.by, is_back=not was_away)
            send_when_free(self.store, ended if was_away else replace(ended, note=NOT_BEGUN))
            raise
        self._next = answer
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Tell the daemon that the work is over."""
        send_when_free(self.store, ending(self.vat.id, self.clock, by=self.by, is_back=self._is_back))

    def readings(self) -> list[ProbeReading]:
        """Return what the daemon stored since the last time, oldest first."""
        with suppress(StoreBusyError):
            blocks = list(history.indications(self.store, self._span()))
            shown = [one for block in blocks for one in _rows(block, self.probe)]
            self._next = max([self._next, *(int(block.seq[-1]) + 1 for block in blocks)])
            return shown
        return []

    def stay(self) -> None:
        """Ask the daemon to go on, once half of the time is over."""
        if self.clock.read().elapsed_us >= self._renew_us:
            with suppress(StoreBusyError):
                self._attend()

    def report_back(self) -> None:
        """Record that the person confirmed that the probe is back in its vat."""
        self._is_back = True

    def _span(self) -> RecordSpan:
        return RecordSpan(vat=self.vat.id, probe=self.probe.id, first=self._next, last=_NEVER)

    def _attend(self) -> int:
        now = self.clock.read()
        seconds = min(ATTEND_S, self.vat.max_shelve_s)
        self._renew_us = now.elapsed_us + round(seconds / 2 * SECOND_US)
        attend = CommandKind.ATTEND
        return _put(
            self.store,
            Command(id=0, at_us=now.at_us, kind=attend, vat=self.vat.id, duration_s=seconds, by=self.by),
        )

    def _is_away(self) -> bool:
        """Tell whether the probe was away before this session, also by what still waits in the inbox."""
        carry = queries.watches(self.store).get(self.vat.id)
        waiting = [each for each in queries.pending_commands(self.store) if each.vat == self.vat.id]
        return (carry is not None and carry.suppression.is_away) or any(
            each.kind in (CommandKind.BREAK_OFF, CommandKind.ATTEND, CommandKind.MARK) for each in waiting
        )

    def _answer(self, number: int) -> int:
        """Wait for the daemon to take a command; return the number of the record that it came before."""
        patience_s = 2 * self.clock.real_s(self.probe.poll_s) + self.probe.timeout_s + ANSWER_S
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            answer = queries.answer(self.store, number)
            if answer is not None and not answer.applied:
                raise RefusedError(answer.text)
            if answer is not None:
                return answer.seq
            threading.Event().wait(LOOK_S)
        raise AbsentError(f"the daemon did not answer within {patience_s:.0f} s")


@dataclass(slots=True, kw_only=True)
class PortReadings(ReadingSource):
    """The port itself, for when no daemon runs."""

    reader: Reader
    clock: Clock
    leave: Callable[[bool], None] = field(default=lambda _: None)
    """Tells whoever reads the probe next that the work is over; the flag: with the word that it is back."""
    _due_us: int = field(default=0)
    _is_back: bool = False

    @property
    def origin(self) -> str:
        """Say in one sentence where the readings come from."""
        return f"No daemon runs: {self.reader.probe.id} is read directly at {self.reader.port}, every second."

    @property
    def silence(self) -> str:
        """Say what to look for when no reading comes."""
        return "the probe is not read"

    def __enter__(self) -> Self:
        """Read once. Raises RefusedError when the port cannot be had."""
        first = self._read()
        if first.reason in (Reason.PORT_ABSENT, Reason.WRONG_INSTRUMENT):
            self.reader.close()
            raise RefusedError(f"{self.reader.probe.id} cannot be read: {self.reader.detail}")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Give the port back."""
        self.reader.close()
        self.leave(self._is_back)

    def readings(self) -> list[ProbeReading]:
        """Read, if a second has passed since the last time."""
        now_us = self.clock.read().elapsed_us
        if now_us < self._due_us:
            return []
        self._due_us = max(self._due_us, now_us - SECOND_US) + SECOND_US
        return [_reading(self._read(), self.reader.probe)]

    def stay(self) -> None:
        """Do nothing: nobody waits."""

    def report_back(self) -> None:
        """Record that the person confirmed that the probe is back in its vat."""
        self._is_back = True

    def _read(self) -> Indication:
        now = self.clock.read()
        return self.reader.read(at_us=now.at_us, elapsed_us=now.elapsed_us)


def _temperature(probe: ProbeConfig, celsius: float | None) -> float:
    """Return the temperature (C) to calibrate by: as read, or assumed of a probe without a thermometer."""
    missing = celsius is None or celsius != celsius  # noqa: PLR0124 - not a number
    assumed_c = probe.assumed_temperature_c
    return celsius if not missing and celsius is not None else float("nan") if assumed_c is None else assumed_c


def _reading(read: Indication, probe: ProbeConfig) -> ProbeReading:
    return ProbeReading(
        at_us=read.at_us,
        elapsed_us=read.elapsed_us,
        potential_mv=float("nan") if read.potential_mv is None else read.potential_mv,
        temperature_c=_temperature(probe, read.temperature_c),
        reason=read.reason,
    )


def _rows(block: Block, probe: ProbeConfig) -> Iterator[ProbeReading]:
    for row in range(len(block)):
        yield ProbeReading(
            at_us=int(block.at_us[row]),
            elapsed_us=int(block.elapsed_us[row]),
            potential_mv=float(block.potential_mv[row]),
            temperature_c=_temperature(probe, float(block.temperature_c[row])),
            reason=Reason(int(block.reason[row])),
        )
