"""Feeds the dead man's switch: asks for an address every so often while all is well, so that somebody else can miss it.

Law: all is well when, at the moment at which it is due,

- the loop turns: it is the loop that feeds, never a timer of its own, and only after a whole interval: a service that
  is started again and again, and ends each time, is not well;
- every probe was read in this run and within its time limit, and the store has taken every record: a watch that cannot
  keep what it reads is none. A probe that answers nothing makes records too; the alarm `no-data` speaks for those;
- no alarm of high priority on the watch itself or on an instrument stands unacknowledged. Such an alarm says that the
  watch is blind, deaf or silent; as long as nobody has said that he knows, nobody may know;
- no event of high priority is left that no way out has taken.

While one of these does not hold nothing is asked for, and it is asked for at once when they do again. So whoever
misses it should wait some intervals. What a vat does (a high pH) is no trouble of the watch: an alarm that got out has
done its work, and reminders follow it. What a person silenced on purpose is known, and so is a good-night test.

The address holds a secret and is in no sentence. The answer is not read. A request that hangs keeps its own thread
busy, nothing else; then the switch is not fed, which is its meaning. Failures are logged, once until one succeeds: who
misses the feeding tells of them.
"""

import logging
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from queue import SimpleQueue
from ssl import SSLError
from threading import Event as Flag
from threading import Thread
from urllib.error import HTTPError, URLError
from urllib.request import Request, urlopen

from logger.alarm.lifecycle import priority
from logger.config import AlarmConfig, DeadManConfig, Group, Priority, VatConfig
from logger.model import Carry, Event, State
from logger.mqtt.event import is_urgent
from logger.units import SECOND_US
from logger.watch.rehearsal import TEST

log = logging.getLogger(__name__)

_OF_VAT = (Group.PROCESS, Group.TARGET)
_UNACKNOWLEDGED = (State.UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED)


@dataclass(slots=True, kw_only=True)
class DeadMansSwitch:
    """When it is fed, and what keeps it from that."""

    config: DeadManConfig
    requests: "Requests" = field(init=False)
    _due_us: int = 0
    _untold: OrderedDict[str, None] = field(default_factory=OrderedDict)
    _kept_by: str = ""

    def __post_init__(self) -> None:
        """Prepare the thread; it asks for nothing before `start`."""
        self.requests = Requests(config=self.config)

    @property
    def _interval_us(self) -> int:
        return round(self.config.every_s * SECOND_US)

    def start(self, now_us: int, untold: Iterable[Event]) -> None:
        """Begin; `untold`: the events that no way out had taken when the last run ended."""
        self._due_us = now_us + self._interval_us
        self.offer(untold)
        self.requests.start()

    def offer(self, events: Iterable[Event]) -> None:
        """Keep in mind that somebody must be told of these events."""
        self._untold.update(dict.fromkeys(event.id for event in events if is_urgent(event)))

    def told(self, ids: Iterable[str]) -> None:
        """Forget events that a way out has taken, and those before: it works again, and the newer tells more."""
        for identity in ids:
            while identity in self._untold:
                self._untold.popitem(last=False)

    def feed(self, now_us: int, trouble: Callable[[], str]) -> None:
        """Ask for the address if that is due and all is well; `trouble` says why the rest of the watch is not."""
        if now_us < self._due_us or self.requests.is_busy:
            return
        kept_by = trouble() or ("nobody was told of an event of high priority" if self._untold else "")
        if kept_by != self._kept_by:
            self._kept_by = kept_by
            log.warning("The dead man's switch is %s", f"not fed: {kept_by}" if kept_by else "fed again: all is well")
        if not kept_by:
            self._due_us = now_us + self._interval_us
            self.requests.ask()


def unheard(vats: Iterable[VatConfig], carries: Mapping[str, Carry]) -> str:
    """Name a high alarm on the watch or an instrument that nobody has acknowledged; empty: there is none."""
    names = (f"{vat.id} {alarm.id}" for vat in vats for alarm in vat.alarms if _is_unheard(alarm, carries[vat.id]))
    return next((f"alarm {name} stands unacknowledged" for name in names), "")


def _is_unheard(alarm: AlarmConfig, carry: Carry) -> bool:
    state = carry.alarms.get(alarm.id)
    if state is None or alarm.id == TEST or alarm.kind.row.group in _OF_VAT:
        return False
    return priority(state, alarm) is Priority.HIGH and state.shown in _UNACKNOWLEDGED


@dataclass(slots=True, kw_only=True)
class Requests:
    """The thread that asks for the address."""

    config: DeadManConfig
    _jobs: SimpleQueue[None] = field(default_factory=SimpleQueue)
    _thread: Thread = field(init=False)
    _busy: Flag = field(default_factory=Flag)
    _trouble: str = ""

    def __post_init__(self) -> None:
        """Prepare the thread; it is a daemon, so that nothing that hangs there keeps the process."""
        self._thread = Thread(target=self._run, name="dead-man", daemon=True)

    def start(self) -> None:
        """Begin to wait."""
        self._thread.start()

    @property
    def is_busy(self) -> bool:
        """Tell whether a request is under way."""
        return self._busy.is_set()

    def ask(self) -> None:
        """Ask for the address once; returns at once."""
        self._busy.set()
        self._jobs.put(None)

    def _run(self) -> None:
        while True:
            self._jobs.get()
            trouble = trouble_of(self.config)
            if trouble and not self._trouble:
                log.warning("The dead man's switch could not be fed: %s", trouble)
            if self._trouble and not trouble:
                log.warning("The dead man's switch could be fed again")
            self._trouble = trouble
            self._busy.clear()


def trouble_of(config: DeadManConfig) -> str:
    """Ask for the address once; return why that failed, empty: it did not. No word of the address is in it."""
    try:
        request = Request(config.url, headers={"User-Agent": "vatvigil"})  # noqa: S310 - settings let http and https pass
        with urlopen(request, timeout=config.timeout_s) as answer:  # noqa: S310
            status = answer.status
    except HTTPError as error:
        error.close()
        status = error.code
    except Exception as error:  # noqa: BLE001 - many kinds, whose words may hold the address
        return _cause(error)
    return "" if status < HTTPStatus.BAD_REQUEST else f"the answer was HTTP status {status}"


def _cause(error: Exception) -> str:
    """Return the system's own words for a failure, else only its kind."""
    reason = error.reason if isinstance(error, URLError) and isinstance(error.reason, Exception) else error
    if isinstance(reason, OSError) and not isinstance(reason, SSLError) and reason.strerror:
        return reason.strerror
    return type(reason).__name__
