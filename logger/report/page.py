"""Print the status as lines for a terminal.

Law: pure; every value comes from `status.py`, nothing is judged here.
"""

from collections.abc import Iterator
from textwrap import wrap

from logger.report.counters import Counters
from logger.report.local_time import LocalTime
from logger.report.overview import Began, InForce, NewestReading, Overview, StandingAlarm, TrustStatus, VatStatus
from logger.report.words import age, counted

WIDTH = 80
_LABEL = 14


def lines(overview: Overview, clock: LocalTime, *, width: int = WIDTH, first: bool = False) -> Iterator[str]:
    """Yield the page, line by line, with the times of that clock; `first`: what needs attention comes first."""
    parts = [*_body(overview, clock)], [*_attention(overview)]
    for line in [*parts[1], "", *parts[0]] if first and parts[1] else [*parts[0], *parts[1]]:
        indent = "    " if line.startswith("  !") else " " * (_LABEL + 2) if line.startswith("  ") else ""
        yield from _folded(line, width, indent) or [""]


def row(label: str, text: str) -> list[str]:
    """Return a labelled text, folded under itself."""
    return _folded(_item(label, text), WIDTH, " " * (_LABEL + 2))


def _folded(line: str, width: int, indent: str) -> list[str]:
    """Return a line folded between words; what must be copied whole (commands, paths) is not broken."""
    return wrap(line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def _item(label: str, text: str) -> str:
    return f"  {label:<{_LABEL}}{text}"


def _body(overview: Overview, clock: LocalTime) -> Iterator[str]:
    for vat in overview.vats:
        yield from _vat(vat, clock)
        yield ""
    yield from _house(overview, clock)


def _attention(overview: Overview) -> Iterator[str]:
    if overview.attention:
        yield from ("", "Needs attention:")
    for sentence in overview.attention:
        yield f"  ! {sentence}"


def _vat(vat: VatStatus, clock: LocalTime) -> Iterator[str]:
    yield f"{vat.name} (vat {vat.vat}, probe {vat.probe})"
    if vat.newest is None:
        yield _item("Reading", "none yet")
    else:
        yield from _reading(vat.newest, clock)
    if vat.newest is None or not vat.newest.believed:
        yield _item("Last believed", _ago(vat.believed_age_s, vat.believed_at, clock) or "never")
    yield _item("Calibration", _calibration(vat.calibration))
    yield _item("Trust", _trust(vat.trust, clock))
    yield _item("Probe", " ".join([f"{vat.health.replace('-', ' ')} (NE 107).", *vat.findings]))
    for number, correction in enumerate(vat.corrections):
        yield _item("" if number else "Corrections", correction)
    if vat.target is not None:
        since = f" (since {clock.shown_text(vat.target.shown_at)})" if vat.target.shown_at else ""
        yield _item("Target", f"{vat.target.text}{since}")
        if vat.target.shown_at:
            yield _item("", f"of the brine at the probe; holds if {'; '.join(vat.target.premises)}")
    if not vat.alarms:
        yield _item("Alarms", "none standing")
    for number, alarm in enumerate(vat.alarms):
        yield _item("" if number else "Alarms", alarm_line(alarm, clock))


def _reading(newest: NewestReading, clock: LocalTime) -> Iterator[str]:
    late = ", OLD" if newest.stale else ""
    yield _item("pH", f"{_ph(newest)}, {age(newest.age_s)} ago{late} ({clock.shown_text(newest.at)})")
    warmth = "unknown" if newest.temperature_c is None else f"{newest.temperature_c:.1f} C"
    if "own-ph" in newest.tests:
        yield _item("", "the probe's own pH, corrected by the calibration here")
    if "assumed-temperature" in newest.tests:
        warmth = "not read: pH is computed by the configuration's assumed_temperature_c"
    yield _item("Temperature", warmth)
    yield _item("Verdict", f"{newest.verdict} (quality {newest.quality})")


def _ph(newest: NewestReading) -> str:
    if newest.ph is None:
        return "unknown"
    if newest.belief == "not-believed":  # its uncertainty is that of a probe in the vat
        return f"reads {newest.ph:.2f}, not believed"
    if newest.expanded_uncertainty_ph is None:
        return f"{newest.ph:.2f}"
    return f"{newest.ph:.2f} +/- {newest.expanded_uncertainty_ph:.2f} (k = {newest.coverage_factor})"


def _ago(age_s: float | None, at: str | None, clock: LocalTime) -> str:
    return "" if age_s is None or at is None else f"{age(age_s)} ago ({clock.shown_text(at)})"


def _trust(trust: TrustStatus, clock: LocalTime) -> str:
    if trust.age_s is None or trust.since is None:
        return trust.sentence
    return f"{trust.sentence} (since {clock.shown_text(trust.since)}, {age(trust.age_s)})"


def _calibration(in_force: InForce | None) -> str:
    if in_force is None:
        return "none in force"
    return (
        f"{in_force.calibration}, made {age(in_force.age_s)} ago: slope {in_force.slope:.1%}, "
        f"offset {in_force.offset_mv:+.1f} mV, pH {in_force.low_ph:.4g} to {in_force.high_ph:.4g}"
    )


def alarm_line(alarm: StandingAlarm, clock: LocalTime) -> str:
    """Say one alarm: name, priority, state, since when, what."""
    since = ""
    if alarm.age_s is not None and alarm.since is not None:
        since = f" for {age(alarm.age_s)} (since {clock.shown_text(alarm.since)})"
    state = alarm.state.replace("-", " ") + (", held through the quiet hours" if alarm.held else "")
    occurrence = f", occurrence {alarm.occurrence}" if alarm.occurrence else ""
    return f"{alarm.alarm} [{alarm.priority}] {state}{since}{occurrence}: {alarm.text}"


def _house(overview: Overview, clock: LocalTime) -> Iterator[str]:
    yield _item("Daemon", _daemon(overview.run, clock))
    yield _item("Outbox", _outbox(overview))
    yield _item("Alarm load", _load(overview.alarms))
    if overview.commands_waiting:
        yield _item("Inbox", f"{counted(overview.commands_waiting, 'command')} waiting for the daemon")
    for number, alarm in enumerate(overview.system):
        yield _item("" if number else "System", alarm_line(alarm, clock))
    yield _item("Store", f"{overview.store} ({overview.store_bytes / 1e6:.1f} MB)")
    if not overview.clock_known:
        yield _item("Clock", "only the daemon knows this simulation's clock: ages count from the newest record")


def _load(counters: Counters) -> str:
    parts = [f"{counters.annunciated_10_min} came in the last 10 min, {counters.annunciated_24_h} in 24 h"]
    parts += [f"chattering: {', '.join(counters.chattering)}"] if counters.chattering else []
    parts += [f"stale: {', '.join(counters.stale)}"] if counters.stale else []
    if counters.answers.median_s is not None:
        parts.append(f"acknowledged after {age(counters.answers.median_s)} (median of {counters.answers.acknowledged})")
    return "; ".join(parts)


def _daemon(began: Began | None, clock: LocalTime) -> str:
    if began is None:
        return "it never ran with this store"
    return f"run {began.run} began {age(began.age_s)} ago ({clock.shown_text(began.at)}), vatvigil {began.version}"


def _outbox(overview: Overview) -> str:
    if not overview.outbox_waiting:
        return "empty" if overview.broker else "empty; no broker is configured"
    oldest = f"{overview.outbox_waiting} wait, the oldest for {age(overview.outbox_oldest_age_s or 0.0)}"
    return oldest if overview.broker else f"{overview.outbox_waiting} kept; no broker is configured"
