"""Print the status as lines for a terminal.

Law: pure; every value comes from `status.py`, nothing is judged here.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import wrap

from logger.report.counters import Counters
from logger.report.local_time import LocalTime
from logger.report.overview import Began, InForce, NewestReading, Overview, StandingAlarm, TrustStatus, VatStatus
from logger.report.words import age, counted

WIDTH = 80
_LABEL = 14


@dataclass(frozen=True, slots=True)
class PageStyle:
    """Whose time a page says, and how many columns it has."""

    clock: LocalTime
    width: int

    def row(self, label: str, text: str) -> list[str]:
        """Return a labelled text, folded under itself."""
        return row(label, text, self.width)


def lines(overview: Overview, clock: LocalTime, width: int = WIDTH, *, attention_first: bool = False) -> Iterator[str]:
    """Yield the page, line by line, with the times of that clock, for a terminal of so many columns."""
    body, wanted = [*_body(overview, PageStyle(clock, width))], [*_attention(overview, width)]
    parts = [wanted, body] if attention_first else [body, wanted]
    for number, part in enumerate(filter(None, parts)):
        yield from [""] * (number > 0)
        yield from part


def _body(overview: Overview, style: PageStyle) -> Iterator[str]:
    for vat in overview.vats:
        yield from _vat(vat, style)
        yield ""
    yield from _house(overview, style)


def _attention(overview: Overview, width: int) -> Iterator[str]:
    if overview.attention:
        yield "Needs attention:"
    for sentence in overview.attention:
        yield from wrap(sentence, width, initial_indent="  ! ", subsequent_indent="    ", break_on_hyphens=False)


def row(label: str, text: str, width: int = WIDTH) -> list[str]:
    """Return a labelled text, folded under itself."""
    first, others = f"  {label:<{_LABEL}}", " " * (_LABEL + 2)
    return wrap(text, width, initial_indent=first, subsequent_indent=others, break_on_hyphens=False)


def _vat(vat: VatStatus, style: PageStyle) -> Iterator[str]:
    yield from wrap(f"{vat.name} (vat {vat.vat}, probe {vat.probe})", style.width)
    if vat.newest is None:
        yield from style.row("Reading", "none yet")
    else:
        yield from _reading(vat.newest, style)
    if vat.newest is None or not vat.newest.believed:
        yield from style.row("Last believed", _ago(vat.believed_age_s, vat.believed_at, style) or "never")
    yield from style.row("Calibration", _calibration(vat.calibration))
    yield from style.row("Trust", _trust(vat.trust, style))
    yield from style.row("Probe", " ".join([f"{vat.health.replace('-', ' ')} (NE 107).", *vat.findings]))
    for number, correction in enumerate(vat.corrections):
        yield from style.row("" if number else "Corrections", correction)
    if vat.target is not None:
        since = f" (since {style.clock.shown_text(vat.target.shown_at)})" if vat.target.shown_at else ""
        yield from style.row("Target", f"{vat.target.text}{since}")
        if vat.target.shown_at:
            yield from style.row("", f"of the brine at the probe; holds if {'; '.join(vat.target.premises)}")
    if not vat.alarms:
        yield from style.row("Alarms", "none standing")
    for number, alarm in enumerate(vat.alarms):
        yield from style.row("" if number else "Alarms", alarm_line(alarm, style))


def _reading(newest: NewestReading, style: PageStyle) -> Iterator[str]:
    late = ", OLD" if newest.stale else ""
    yield from style.row("pH", f"{_ph(newest)}, {age(newest.age_s)} ago{late} ({style.clock.shown_text(newest.at)})")
    warmth = "unknown" if newest.temperature_c is None else f"{newest.temperature_c:.1f} C"
    if "own-ph" in newest.tests:
        yield from style.row("", "the probe's own pH, corrected by the calibration here")
    if "assumed-temperature" in newest.tests:
        warmth = "not read: pH is computed by the configuration's assumed_temperature_c"
    yield from style.row("Temperature", warmth)
    yield from style.row("Verdict", f"{newest.verdict} (quality {newest.quality})")


def _ph(newest: NewestReading) -> str:
    if newest.ph is None:
        return "unknown"
    if newest.belief == "not-believed":  # its uncertainty is that of a probe in the vat
        return f"reads {newest.ph:.2f}, not believed"
    if newest.expanded_uncertainty_ph is None:
        return f"{newest.ph:.2f}"
    return f"{newest.ph:.2f} +/- {newest.expanded_uncertainty_ph:.2f} (k = {newest.coverage_factor})"


def _ago(age_s: float | None, at: str | None, style: PageStyle) -> str:
    return "" if age_s is None or at is None else f"{age(age_s)} ago ({style.clock.shown_text(at)})"


def _trust(trust: TrustStatus, style: PageStyle) -> str:
    if trust.age_s is None or trust.since is None:
        return trust.sentence
    return f"{trust.sentence} (since {style.clock.shown_text(trust.since)}, {age(trust.age_s)})"


def _calibration(in_force: InForce | None) -> str:
    if in_force is None:
        return "none in force"
    return (
        f"{in_force.calibration}, made {age(in_force.age_s)} ago: slope {in_force.slope:.1%}, "
        f"offset {in_force.offset_mv:+.1f} mV, pH {in_force.low_ph:.4g} to {in_force.high_ph:.4g}"
    )


def alarm_line(alarm: StandingAlarm, style: PageStyle) -> str:
    """Say one alarm: name, priority, state, since when, what."""
    since = ""
    if alarm.age_s is not None and alarm.since is not None:
        since = f" for {age(alarm.age_s)} (since {style.clock.shown_text(alarm.since)})"
    state = alarm.state.replace("-", " ") + (", held through the quiet hours" if alarm.held else "")
    occurrence = f", occurrence {alarm.occurrence}" if alarm.occurrence else ""
    return f"{alarm.alarm} [{alarm.priority}] {state}{since}{occurrence}: {alarm.text}"


def _house(overview: Overview, style: PageStyle) -> Iterator[str]:
    yield from style.row("Daemon", _daemon(overview.run, style))
    yield from style.row("Outbox", _outbox(overview))
    yield from style.row("Alarm load", _load(overview.alarms))
    if overview.commands_waiting:
        yield from style.row("Inbox", f"{counted(overview.commands_waiting, 'command')} waiting for the daemon")
    for number, alarm in enumerate(overview.system):
        yield from style.row("" if number else "System", alarm_line(alarm, style))
    yield from style.row("Store", f"{overview.store} ({overview.store_bytes / 1e6:.1f} MB)")
    if not overview.clock_known:
        sentence = "only the daemon knows this simulation's clock: ages count from the newest record"
        yield from style.row("Clock", sentence)


def _load(counters: Counters) -> str:
    parts = [f"{counters.annunciated_10_min} came in the last 10 min, {counters.annunciated_24_h} in 24 h"]
    parts += [f"chattering: {', '.join(counters.chattering)}"] if counters.chattering else []
    parts += [f"stale: {', '.join(counters.stale)}"] if counters.stale else []
    if counters.answers.median_s is not None:
        parts.append(f"acknowledged after {age(counters.answers.median_s)} (median of {counters.answers.acknowledged})")
    return "; ".join(parts)


def _daemon(began: Began | None, style: PageStyle) -> str:
    if began is None:
        return "it never ran with this store"
    return f"run {began.run} began {_ago(began.age_s, began.at, style)}, vatvigil {began.version}"


def _outbox(overview: Overview) -> str:
    if not overview.outbox_waiting:
        return "empty" if overview.broker else "empty; no broker is configured"
    oldest = f"{overview.outbox_waiting} wait, the oldest for {age(overview.outbox_oldest_age_s or 0.0)}"
    return oldest if overview.broker else f"{overview.outbox_waiting} kept; no broker is configured"
