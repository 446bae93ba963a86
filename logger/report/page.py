"""Print the status as lines for a terminal of 80 columns.

Law: pure; every value comes from `status.py`, nothing is judged here.
"""

from collections.abc import Iterator
from textwrap import wrap

from logger.report.counters import Counters
from logger.report.overview import Began, InForce, NewestReading, Overview, StandingAlarm, TrustStatus, VatStatus
from logger.report.words import age, counted

WIDTH = 80
_LABEL = 14


def lines(overview: Overview) -> Iterator[str]:
    """Yield the page, line by line."""
    for vat in overview.vats:
        yield from _vat(vat)
        yield ""
    yield from _house(overview)
    if overview.attention:
        yield from ("", "Needs attention:")
    for sentence in overview.attention:
        yield from wrap(sentence, WIDTH, initial_indent="  ! ", subsequent_indent="    ")


def row(label: str, text: str) -> list[str]:
    """Return a labelled text, folded under itself."""
    return wrap(text, WIDTH, initial_indent=f"  {label:<{_LABEL}}", subsequent_indent=" " * (_LABEL + 2))


def _vat(vat: VatStatus) -> Iterator[str]:
    yield from wrap(f"{vat.name} (vat {vat.vat}, probe {vat.probe})", WIDTH)
    if vat.newest is None:
        yield from row("Reading", "none yet")
    else:
        yield from _reading(vat.newest)
    if vat.newest is None or not vat.newest.believed:
        ago = "never" if vat.believed_age_s is None else f"{age(vat.believed_age_s)} ago ({vat.believed_at})"
        yield from row("Last believed", ago)
    yield from row("Calibration", _calibration(vat.calibration))
    yield from row("Trust", _trust(vat.trust))
    yield from row("Probe", " ".join([f"{vat.health.replace('-', ' ')} (NE 107).", *vat.findings]))
    for number, correction in enumerate(vat.corrections):
        yield from row("" if number else "Corrections", correction)
    if vat.target is not None:
        since = f" (since {vat.target.shown_at})" if vat.target.shown_at else ""
        yield from row("Target", f"{vat.target.text}{since}")
        if vat.target.shown_at:
            yield from row("", f"of the brine at the probe; holds if {'; '.join(vat.target.premises)}")
    if vat.forecast is not None:
        yield from row("Forecast", vat.forecast.text)
    if not vat.alarms:
        yield from row("Alarms", "none standing")
    for number, alarm in enumerate(vat.alarms):
        yield from row("" if number else "Alarms", alarm_line(alarm))


def _reading(newest: NewestReading) -> Iterator[str]:
    late = ", OLD" if newest.stale else ""
    yield from row("pH", f"{_ph(newest)}, {age(newest.age_s)} ago{late} ({newest.at})")
    warmth = "unknown" if newest.temperature_c is None else f"{newest.temperature_c:.1f} C"
    if "own-ph" in newest.tests:
        yield from row("", "the probe's own pH, corrected by the calibration here")
    if "assumed-temperature" in newest.tests:
        warmth = "not read: pH is computed by the configuration's assumed_temperature_c"
    yield from row("Temperature", warmth)
    yield from row("Verdict", f"{newest.verdict} (quality {newest.quality})")


def _ph(newest: NewestReading) -> str:
    if newest.ph is None:
        return "unknown"
    if newest.belief == "not-believed":  # its uncertainty is that of a probe in the vat
        return f"reads {newest.ph:.2f}, not believed"
    if newest.expanded_uncertainty_ph is None:
        return f"{newest.ph:.2f}"
    return f"{newest.ph:.2f} +/- {newest.expanded_uncertainty_ph:.2f} (k = {newest.coverage_factor})"


def _trust(trust: TrustStatus) -> str:
    return trust.sentence if trust.age_s is None else f"{trust.sentence} (since {trust.since}, {age(trust.age_s)})"


def _calibration(in_force: InForce | None) -> str:
    if in_force is None:
        return "none in force"
    return (
        f"{in_force.calibration}, made {age(in_force.age_s)} ago: slope {in_force.slope:.1%}, "
        f"offset {in_force.offset_mv:+.1f} mV, pH {in_force.low_ph:.4g} to {in_force.high_ph:.4g}"
    )


def alarm_line(alarm: StandingAlarm) -> str:
    """Say one alarm: name, priority, state, since when, what."""
    since = "" if alarm.age_s is None else f" for {age(alarm.age_s)} (since {alarm.since})"
    state = alarm.state.replace("-", " ") + (", held through the quiet hours" if alarm.held else "")
    occurrence = f", occurrence {alarm.occurrence}" if alarm.occurrence else ""
    return f"{alarm.alarm} [{alarm.priority}] {state}{since}{occurrence}: {alarm.text}"


def _house(overview: Overview) -> Iterator[str]:
    yield from row("Daemon", _daemon(overview.run))
    yield from row("Outbox", _outbox(overview))
    yield from row("Alarm load", _load(overview.alarms))
    if overview.commands_waiting:
        yield from row("Inbox", f"{counted(overview.commands_waiting, 'command')} waiting for the daemon")
    for number, alarm in enumerate(overview.system):
        yield from row("" if number else "System", alarm_line(alarm))
    yield from row("Store", f"{overview.store} ({overview.store_bytes / 1e6:.1f} MB)")
    if not overview.clock_known:
        yield from row("Clock", "only the daemon knows this simulation's clock: ages count from the newest record")


def _load(counters: Counters) -> str:
    parts = [f"{counters.annunciated_10_min} came in the last 10 min, {counters.annunciated_24_h} in 24 h"]
    parts += [f"chattering: {', '.join(counters.chattering)}"] if counters.chattering else []
    parts += [f"stale: {', '.join(counters.stale)}"] if counters.stale else []
    if counters.answers.median_s is not None:
        parts.append(f"acknowledged after {age(counters.answers.median_s)} (median of {counters.answers.acknowledged})")
    return "; ".join(parts)


def _daemon(began: Began | None) -> str:
    if began is None:
        return "it never ran with this store"
    return f"run {began.run} began {age(began.age_s)} ago ({began.at}), vatvigil {began.version}"


def _outbox(overview: Overview) -> str:
    if not overview.outbox_waiting:
        return "empty" if overview.broker else "empty; no broker is configured"
    oldest = f"{overview.outbox_waiting} wait, the oldest for {age(overview.outbox_oldest_age_s or 0.0)}"
    return oldest if overview.broker else f"{overview.outbox_waiting} kept; no broker is configured"
