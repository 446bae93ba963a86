"""Say what a page shows of each vat, in the words of the other commands.

Law: pure; every value comes from `report/status.py`, nothing is judged here. What is not believed is not shown as a pH,
and what is old is never shown without its age.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

from logger.model import Cause, Entry, State
from logger.page.source import Look
from logger.report.local_time import LocalTime
from logger.report.overview import NewestReading, StandingAlarm, VatStatus
from logger.report.words import age
from logger.units import SECOND_US

_URGENCY = {"high": 0, "medium": 1, "low": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm as it stands."""

    title: str
    priority: str
    state: str
    age: str
    since: str
    text: str
    lines: tuple[str, ...]
    is_standing: bool
    is_over: bool
    """Its cause is over, and it waits to be acknowledged."""

    @property
    def style(self) -> str:
        """Return the names of its style."""
        return "silenced" if not self.is_standing else f"{self.priority} over" if self.is_over else self.priority


@dataclass(frozen=True, slots=True, kw_only=True)
class VatView:
    """What is shown of a vat."""

    id: str
    name: str
    ph: str
    """Two decimals; a dash where none can be told."""
    band: str
    belief: str
    """Its word: `Believed`, `Suspect`, `Not believed`, `No reading yet`; of what is old with `then`."""
    mark: str
    """Of the style: believed, suspect, not-believed."""
    why: str
    age: str
    read_at: str
    is_old: bool
    temperature: str
    alarms: tuple[AlarmView, ...]
    """The worst first; those that were silenced on purpose last."""
    rows: tuple[tuple[str, str], ...]
    """Labelled sentences: trust, target, forecast, calibration, probe."""

    @property
    def worst(self) -> AlarmView | None:
        """Return the worst alarm that stands."""
        return self.alarms[0] if self.alarms and self.alarms[0].is_standing else None

    @property
    def standing(self) -> int:
        """Return how many alarms stand."""
        return sum(1 for alarm in self.alarms if alarm.is_standing)

    @property
    def said(self) -> str:
        """Say what a person who only listens must hear when it changes: no figure that changes each minute."""
        worst = self.worst
        alarm = f"{worst.priority} alarm: {worst.title}" if worst else "no alarm stands"
        return f"{self.name}: {'reading is OLD, ' if self.is_old else ''}{self.belief.lower()}, {alarm}."


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalRow:
    """An entry of the journal."""

    at: str
    what: str
    text: str
    by: str
    priority: str


def vat_views(look: Look, clock: LocalTime) -> list[VatView]:
    """Return what is shown of each vat; what was read before the store was away is old."""
    overview = look.overview
    return [] if overview is None else [_vat(vat, clock, is_away=bool(look.trouble)) for vat in overview.vats]


def _vat(vat: VatStatus, clock: LocalTime, *, is_away: bool) -> VatView:
    newest = vat.newest
    belief, mark = _belief(newest)
    is_old = is_away or newest is None or newest.stale
    return VatView(
        id=vat.vat,
        name=vat.name,
        ph="\N{EN DASH}" if newest is None or newest.ph is None or mark == "not-believed" else f"{newest.ph:.2f}",
        band=_band(newest, mark),
        belief=f"{belief} then" if is_old and newest is not None else belief,
        mark=mark,
        why="" if newest is None else _without_word(newest.verdict),
        age=_age(newest, is_away=is_away),
        read_at="" if newest is None else clock.shown_text(newest.at),
        is_old=is_old,
        temperature=_temperature(newest),
        alarms=tuple(_alarm(alarm, clock) for alarm in sorted(vat.alarms, key=_rank)),
        rows=tuple(_rows(vat, clock)),
    )


def _belief(newest: NewestReading | None) -> tuple[str, str]:
    if newest is None:
        return "No reading yet", "not-believed"
    return {"believed": "Believed", "suspect": "Suspect"}.get(newest.belief, "Not believed"), newest.belief


def _band(newest: NewestReading | None, mark: str) -> str:
    if newest is None or newest.ph is None:
        return "no pH can be told"
    if mark == "not-believed":  # its uncertainty is that of a probe in the vat
        return f"reads {newest.ph:.2f}, not believed"
    if newest.expanded_uncertainty_ph is None:
        return "uncertainty not known"
    return f"\N{PLUS-MINUS SIGN} {newest.expanded_uncertainty_ph:.2f} (k = {newest.coverage_factor})"


def _without_word(verdict: str) -> str:
    """Return why, without the word that stands beside it in large letters."""
    word, colon, why = verdict.partition(": ")
    return f"{why[:1].upper()}{why[1:]}." if colon and word in ("Believed", "Suspect", "Not believed") else verdict


def _age(newest: NewestReading | None, *, is_away: bool) -> str:
    if newest is None:
        return "nothing was read yet"
    if is_away:  # its age was counted when the store could be read
        return "last read"
    if newest.stale and not newest.age_s:
        return "read at a time that is yet to come: the clock was set back"
    return f"read {age(newest.age_s)} ago"


def _temperature(newest: NewestReading | None) -> str:
    if newest is None or newest.temperature_c is None:
        return "temperature not known"
    return f"{newest.temperature_c:.1f} \N{DEGREE SIGN}C"


def _rank(alarm: StandingAlarm) -> tuple[bool, bool, int, str]:
    """Return what orders alarms: those that stand, of them those whose cause goes on, then by priority and time."""
    is_over = alarm.state == State.RETURNED
    return not alarm.standing, is_over, _URGENCY.get(alarm.priority, 3), alarm.since or ""


def alarm_views(alarms: Iterable[StandingAlarm], clock: LocalTime) -> list[AlarmView]:
    """Return alarms as they are shown, the worst first."""
    return [_alarm(alarm, clock) for alarm in sorted(alarms, key=_rank)]


def _alarm(alarm: StandingAlarm, clock: LocalTime) -> AlarmView:
    held = ", held through the quiet hours: nobody was told" if alarm.held else ""
    return AlarmView(
        title=alarm.kind,
        priority=alarm.priority,
        state=alarm.state.replace("-", " ") + held,
        age="" if alarm.age_s is None else f"for {age(alarm.age_s)}",
        since="" if alarm.since is None else f"since {clock.shown_text(alarm.since)}",
        text=f"{alarm.text[:1].upper()}{alarm.text[1:]}",
        lines=alarm.lines,
        is_standing=alarm.standing,
        is_over=alarm.state == State.RETURNED,
    )


def _rows(vat: VatStatus, clock: LocalTime) -> Iterator[tuple[str, str]]:
    if vat.forecast is not None:
        yield "Forecast", vat.forecast.text
    if vat.target is not None:
        since = f" (since {clock.shown_text(vat.target.shown_at)})" if vat.target.shown_at else ""
        yield "Target", f"{vat.target.text}{since}"
        if vat.target.shown_at:
            yield "", f"of the brine at the probe; holds if {'; '.join(vat.target.premises)}"
    since = f" (since {clock.shown_text(vat.trust.since)})" if vat.trust.since else ""
    yield "Trust", f"{vat.trust.sentence}{since}"
    if vat.believed_at is not None and vat.newest is not None and not vat.newest.believed:
        yield "Last believed", clock.shown_text(vat.believed_at)
    made = vat.calibration
    yield "Calibration", "none in force" if made is None else f"number {made.calibration}, {age(made.age_s)} old"
    yield "Probe", " ".join([f"{vat.probe}: {vat.health.replace('-', ' ')} (NE 107).", *vat.findings])


def journal_rows(entries: Iterable[Entry], clock: LocalTime) -> list[JournalRow]:
    """Return entries of the journal as they are shown, the newest first; reminders of one alarm in a row as one."""
    newest_first = sorted(entries, key=lambda entry: entry.at_us, reverse=True)
    runs = [[*run] for _, run in groupby(newest_first, key=_run_of_reminders)]
    return [
        _journal_row(run, clock) for each in runs for run in ([each] if _is_reminder(each[0]) else map(_alone, each))
    ]


def _is_reminder(entry: Entry) -> bool:
    return entry.cause in (Cause.REMINDER, Cause.REALARM)


def _run_of_reminders(entry: Entry) -> tuple[str, str] | None:
    return (entry.vat, entry.alarm) if _is_reminder(entry) else None


def _alone(entry: Entry) -> list[Entry]:
    return [entry]


def _journal_row(run: list[Entry], clock: LocalTime) -> JournalRow:
    newest = run[0]
    times = f", {len(run)} times since {clock.shown(run[-1].at_us)}" if len(run) > 1 else ""
    return JournalRow(
        at=clock.shown(newest.at_us),
        what=f"{_what(newest)}{times}",
        text=newest.text,
        by=newest.by,
        priority=newest.priority if (newest.annunciates or newest.held) and not _is_reminder(newest) else "",
    )


def _what(entry: Entry) -> str:
    cause = Cause(entry.cause).value.replace("-", " ")
    return f"{entry.alarm} {cause}" if entry.alarm else cause


def how_long(since_us: int | None, now_us: int) -> str:
    """Say how long ago that was."""
    return "" if since_us is None else age((now_us - since_us) / SECOND_US)
