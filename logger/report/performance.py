"""Measure how well the alarms serve people: rates, floods, chatter, stale alarms, time to acknowledge.

Law: pure, from the journal and the records alone. Terms and measures are those of ANSI/ISA-18.2-2016, clause 16.4 (IEC
62682), as open secondary sources quote them (the standard itself was not read): rates of annunciated alarms, 10-minute
periods with more than 10 of them (below 1 %), the most frequent, chattering and fleeting ones (none), stale ones that
stand for over 24 h (below 5), priorities of about 80 % low, 15 % medium and 5 % high, over 30 days at least. Its limits
are for a person who does nothing but watch alarms; whoever sleeps wants far fewer. Annunciated: a person was told.

Chattering is what single readings do about the setpoint, so it is seen before delays and windows hide it.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

import numpy as np

from logger.config import AlarmConfig, Priority
from logger.model import Cause, Entry, Floats, Ints, State
from logger.units import SECOND_US

PERIOD_US = 600 * SECOND_US
FLOOD = 10
"""Alarms in ten minutes above which a person is flooded."""
STALE_US = 86_400 * SECOND_US
CHATTER_US = 60 * SECOND_US
CROSSINGS = 3
ENOUGH_DAYS = 30.0
USUAL_PERCENT: Mapping[Priority, float] = {Priority.HIGH: 5.0, Priority.MEDIUM: 15.0, Priority.LOW: 80.0}
"""Common practice."""
MOST_FREQUENT = 10
Name = tuple[str, str]
"""Vat and alarm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """How often an alarm or a priority annunciated, and which part of all that is."""

    name: str
    count: int
    percent: float
    usual_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AcknowledgementTimes:
    """Occurrences that annunciated and were acknowledged, and how long that took (s); those that nobody answered."""

    acknowledged: int
    median_s: float | None
    longest_s: float | None
    unanswered: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Performance:
    """The alarms of a period."""

    days: float
    enough: bool
    annunciated: int
    held: int
    """Occurrences that quiet hours held and that never annunciated."""
    per_day: float
    per_hour: float
    per_10_min: float
    periods_flooded_percent: float
    """10-minute periods, counted from the beginning, with more than 10 alarms."""
    most_in_10_min: int
    most_frequent: list[Share]
    most_frequent_percent: float
    """Part of all that the ten most frequent make up."""
    priorities: list[Share]
    stale: list[str]
    """Alarms that stood for over 24 h within the period."""
    standing: list[str]
    """At its end, as are the next three."""
    shelved: list[str]
    suppressed: list[str]
    out_of_service: list[str]
    covers: dict[str, int]
    """How often alarms were shelved, suppressed, taken out of service in it."""
    answers: AcknowledgementTimes


@dataclass(slots=True)
class _History:
    """What the journal says up to some entry."""

    state: dict[Name, State] = field(default_factory=dict)
    standing_us: dict[Name, int] = field(default_factory=dict)
    """Since when it stands without having returned."""
    told_us: dict[tuple[Name, int], int] = field(default_factory=dict)
    """When an occurrence annunciated, until it is acknowledged."""
    held: set[tuple[Name, int]] = field(default_factory=set)
    stood: list[tuple[Name, int, int]] = field(default_factory=list)
    answered: list[tuple[int, int]] = field(default_factory=list)

    def add(self, entry: Entry) -> None:
        name = (entry.vat, entry.alarm)
        occurrence = (name, entry.occurrence or 0)
        if entry.after is not None:
            self.state[name] = entry.after
        if entry.cause is Cause.UNWATCHED:
            self.state.pop(name, None)
        if entry.annunciates or entry.held:
            self.standing_us.setdefault(name, entry.at_us)
        if entry.annunciates:
            self.told_us.setdefault(occurrence, entry.at_us)
            self.held.discard(occurrence)
        elif entry.held and occurrence not in self.told_us:
            self.held.add(occurrence)
        if entry.cause is Cause.ACKNOWLEDGED and occurrence in self.told_us:
            self.answered.append((self.told_us.pop(occurrence), entry.at_us))
        if entry.cause in _ENDS and name in self.standing_us:
            self.stood.append((name, self.standing_us.pop(name), entry.at_us))


_ENDS = (Cause.RETURNED, Cause.SHELVED, Cause.SUPPRESSED, Cause.OUT_OF_SERVICE, Cause.UNWATCHED)
_COVERS = (Cause.SHELVED, Cause.SUPPRESSED, Cause.OUT_OF_SERVICE)


def assess(entries: Iterable[Entry], *, since_us: int, until_us: int) -> Performance:
    """Return how the alarms of a period (UTC, microseconds) served; `entries`: the journal up to its end."""
    alarm_entries, history = [entry for entry in entries if entry.alarm], _History()
    for entry in alarm_entries:
        history.add(entry)
    within = [entry for entry in alarm_entries if entry.at_us >= since_us]
    annunciated = [entry for entry in within if entry.annunciates]
    days = max(until_us - since_us, 1) / STALE_US
    periods = Counter((entry.at_us - since_us) // PERIOD_US for entry in annunciated)
    whole = max(1, -(-(until_us - since_us) // PERIOD_US))
    frequent = _shares(
        Counter(f"{entry.vat} {entry.alarm}" for entry in annunciated).most_common(MOST_FREQUENT), len(annunciated)
    )
    return Performance(
        days=days,
        enough=days >= ENOUGH_DAYS,
        annunciated=len(annunciated),
        held=sum(1 for entry in _began(within) if ((entry.vat, entry.alarm), entry.occurrence or 0) in history.held),
        per_day=len(annunciated) / days,
        per_hour=len(annunciated) / days / 24,
        per_10_min=len(annunciated) / days / 144,
        periods_flooded_percent=100.0 * sum(1 for count in periods.values() if count > FLOOD) / whole,
        most_in_10_min=max(periods.values(), default=0),
        most_frequent=frequent,
        most_frequent_percent=sum(share.percent for share in frequent),
        priorities=_by_priority(annunciated),
        stale=_stale(history, since_us=since_us, until_us=until_us),
        standing=_names_in(history, *(state for state in State if state.is_standing)),
        shelved=_names_in(history, State.SHELVED),
        suppressed=_names_in(history, State.SUPPRESSED),
        out_of_service=_names_in(history, State.OUT_OF_SERVICE),
        covers={cause.value: sum(1 for entry in within if entry.cause is cause) for cause in _COVERS},
        answers=_answers(history, since_us=since_us),
    )


def _began(entries: Iterable[Entry]) -> Iterator[Entry]:
    """Yield the entries with which an occurrence began that was held."""
    return (e for e in entries if e.held and e.cause not in (Cause.REMINDER, Cause.RAISED, Cause.RETURNED))


def _shares(counted: Iterable[tuple[str, int]], total: int) -> list[Share]:
    return [Share(name=name, count=count, percent=100.0 * count / total) for name, count in counted]


def _by_priority(annunciated: Sequence[Entry]) -> list[Share]:
    counts = Counter(entry.priority for entry in annunciated)
    return [
        Share(
            name=priority.value,
            count=counts[priority.value],
            percent=100.0 * counts[priority.value] / max(len(annunciated), 1),
            usual_percent=usual,
        )
        for priority, usual in USUAL_PERCENT.items()
    ]


def _stale(history: _History, *, since_us: int, until_us: int) -> list[str]:
    stood = [*history.stood, *((name, begin, until_us) for name, begin in history.standing_us.items())]
    return sorted({" ".join(name) for name, begin, end in stood if end > since_us and end - begin > STALE_US})


def _names_in(history: _History, *states: State) -> list[str]:
    return sorted(" ".join(name) for name, state in history.state.items() if state in states)


def _answers(history: _History, *, since_us: int) -> AcknowledgementTimes:
    times = [(end - begin) / SECOND_US for begin, end in history.answered if begin >= since_us]
    return AcknowledgementTimes(
        acknowledged=len(times),
        median_s=median(times) if times else None,
        longest_s=max(times, default=None),
        unanswered=sum(1 for at_us in history.told_us.values() if at_us >= since_us),
    )


def crossings(alarm: AlarmConfig, elapsed_us: Ints, value: Floats) -> Ints:
    """Return the watch times at which single readings cross the setpoint; what is unknown crosses nothing."""
    is_known = ~np.isnan(value)
    times, beyond = elapsed_us[is_known], value[is_known] - (alarm.setpoint or 0.0)
    side = beyond >= 0.0 if alarm.kind.is_high else beyond <= 0.0
    return np.asarray(times[1:][side[1:] != side[:-1]])


def chatters(times: Ints) -> int:
    """Return how often a stretch of three or more crossings, each three within 60 s, began."""
    if len(times) < CROSSINGS:
        return 0
    close = times[CROSSINGS - 1 :] - times[: 1 - CROSSINGS] <= CHATTER_US
    return int(np.count_nonzero(close[1:] & ~close[:-1])) + int(close[0])


def can_chatter(poll_s: float) -> bool:
    """Tell whether three crossings fit into 60 s at all: they need four readings."""
    return CROSSINGS * poll_s * SECOND_US <= CHATTER_US
