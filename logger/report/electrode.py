"""Gather an electrode's life from the store for a person and for scripts.

Law: reads only, judges nothing by itself (`measure/electrode.py` does). An electrode is known by its serial number,
whatever probe it sat in; one without a number is known by its probe.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from textwrap import wrap

from logger.config import Config, ProbeConfig
from logger.measure import electrode as judging
from logger.measure.electrode import CalibrationSummary, Forecast, Outlook
from logger.model import Calibration, Check, Health
from logger.model.care import standing
from logger.report.care import words_of
from logger.report.page import WIDTH, row
from logger.report.status import now_of
from logger.report.words import moment
from logger.store import Store, queries
from logger.store.care import diary
from logger.units import SECOND_US

MINUTES = 60.0
MOST_CARE = 8
"""Entries of the care diary that are shown: a page holds no more; `vatvigil care list` has them all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectrodeIdentity:
    """One electrode that sat in the probe."""

    electrode: str
    """Serial number; empty: not known."""
    installed: str | None
    """Date by the configuration; None: not stated."""
    first_calibrated_at: str
    last_calibrated_at: str
    calibrations: int
    hours_read: float
    has_archived: bool
    """More of its readings are in archives; they are not counted."""
    """Hours with a reading, from its installation or first calibration to the next electrode's first."""
    in_use: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPoint:
    """One calibration in the trend."""

    calibration: int
    made_at: str
    slope_percent: float
    offset_mv: float
    t95_s: float | None
    noise_mv: float | None
    found_ph: float | None
    drift_ph_per_day: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastSummary:
    """The forecast with its times in words."""

    outlook: str
    limit_percent: float
    percent_per_day: float | None
    earliest: str | None
    likely: str | None
    latest: str | None
    why: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectrodeCondition:
    """Everything `vatvigil electrode` says."""

    at: str
    simulated: bool
    probe: str
    electrode: str
    status: str
    findings: list[str]
    trend: list[TrendPoint]
    refused: int
    """Calibrations of this probe that were not accepted; they are not in the trend."""
    forecast: ForecastSummary
    electrodes: list[ElectrodeIdentity]
    care: list[str]
    """What was done to keep it well, newest first: the date and the words of the diary."""


def gather(config: Config, store: Store, probe: ProbeConfig, *, at_us: int) -> ElectrodeCondition:
    """Return the condition of the electrode in a probe at this moment (UTC, microseconds)."""
    now = now_of(config, [queries.latest(store, probe.id)], at_us=at_us)
    stored = queries.calibrations(store, probe.id)
    here = [one.calibration for one in stored if one.accepted]
    serial = probe.electrode or (here[-1].electrode if here else "")
    calibrations, checks = _history_of(config, store, serial, here)
    visits = judging.history(calibrations, checks)
    findings = judging.condition(visits[-1], probe.calibration) if visits else []
    limit = probe.calibration.slope_refuse_low_percent
    return ElectrodeCondition(
        at=moment(now.at_us),
        simulated=config.simulated,
        probe=probe.id,
        electrode=serial,
        status=(findings[0].status if findings else Health.GOOD).value,
        findings=[one.text for one in findings],
        trend=[_point(one) for one in visits],
        refused=len(stored) - len(here),
        forecast=_forecast_summary(judging.forecast(visits, limit_percent=limit, at_us=now.at_us)),
        electrodes=_identities(store, probe, here),
        care=_care(store, probe.id, serial),
    )


def _care(store: Store, probe: str, serial: str) -> list[str]:
    """Return the newest entries of the care diary, each with its date."""
    mine = [each for each in standing(diary(store, probe)) if each.electrode in ("", serial) or not serial]
    newest = sorted(mine, key=lambda each: each.happened_at_us)[-MOST_CARE:]
    return [f"{moment(each.happened_at_us)[:10]} {words_of(each)}" for each in reversed(newest)]


def _history_of(
    config: Config, store: Store, serial: str, here: Sequence[Calibration]
) -> tuple[list[Calibration], list[Check]]:
    """Return the accepted calibrations of an electrode, in whatever probe, and the checks of them."""
    calibrations, checks = list(here), list[Check]()
    for probe in config.probes:
        checks += queries.checks(store, probe.id)
        if serial:
            calibrations += [one.calibration for one in queries.calibrations(store, probe.id) if one.accepted]
    mine = {one.id: one for one in calibrations if one.electrode == serial}
    return list(mine.values()), checks


def _point(one: CalibrationSummary) -> TrendPoint:
    return TrendPoint(
        calibration=one.calibration,
        made_at=moment(one.at_us),
        slope_percent=round(one.slope_percent, 3),
        offset_mv=round(one.offset_mv, 2),
        t95_s=_rounded(one.t95_s, 1),
        noise_mv=_rounded(one.noise_mv, 3),
        found_ph=_rounded(one.found_ph, 4),
        drift_ph_per_day=_rounded(one.drift_ph_per_day, 4),
    )


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _forecast_summary(forecast: Forecast) -> ForecastSummary:
    earliest, likely, latest = (
        None if at_us is None else moment(at_us)[:10]
        for at_us in (forecast.earliest_at_us, forecast.likely_at_us, forecast.latest_at_us)
    )
    limit = f"the slope leaves {forecast.limit_percent:g} %"
    text = {
        Outlook.CANNOT_SAY: f"Not enough data yet to say when {limit}: {forecast.why}.",
        Outlook.NOT_BEFORE: f"Not before {earliest} that {limit} (95 %): {forecast.why}.",
        Outlook.LIKELY: f"Likely about {likely} that {limit}, between {earliest} and {latest} (95 %): have a new one by"
        " then.",
        Outlook.REACHED: f"The slope is below {forecast.limit_percent:g} % already: {forecast.why}.",
    }[forecast.outlook]
    return ForecastSummary(
        outlook=forecast.outlook.value,
        limit_percent=forecast.limit_percent,
        percent_per_day=_rounded(forecast.percent_per_day, 4),
        earliest=earliest,
        likely=likely,
        latest=latest,
        why=forecast.why,
        text=text,
    )


def _identities(store: Store, probe: ProbeConfig, calibrations: Sequence[Calibration]) -> list[ElectrodeIdentity]:
    """Return the electrodes that sat in a probe, in the order of their first calibration there."""
    serials = list(dict.fromkeys(one.electrode for one in calibrations))
    firsts = [next(one.at_us for one in calibrations if one.electrode == serial) for serial in serials]
    ends = [*firsts, None][1:]
    return [
        _identity(store, probe, [one for one in calibrations if one.electrode == serial], end_us=end)
        for serial, end in zip(serials, ends, strict=True)
    ]


def _identity(
    store: Store, probe: ProbeConfig, mine: Sequence[Calibration], *, end_us: int | None
) -> ElectrodeIdentity:
    serial, since_us = mine[0].electrode, mine[0].at_us
    installed = probe.electrode_installed if end_us is None and serial == probe.electrode else None
    if installed is not None:
        since_us = int(datetime(installed.year, installed.month, installed.day, tzinfo=UTC).timestamp()) * SECOND_US
    minutes = queries.minutes_read(store, probe.id, since_at_us=since_us, until_at_us=end_us)
    return ElectrodeIdentity(
        electrode=serial,
        installed=None if installed is None else installed.isoformat(),
        first_calibrated_at=moment(mine[0].at_us),
        last_calibrated_at=moment(mine[-1].at_us),
        calibrations=len(mine),
        hours_read=round(minutes / MINUTES, 1),
        has_archived=any(note.has_of(probe.id, since_us, end_us) for note in store.moved),
        in_use=end_us is None and serial in ("", probe.electrode or serial),
    )


COLUMNS = ("no.", "made", "slope %", "offset mV", "t95 s", "noise mV", "found off", "a day")


def cells(one: TrendPoint) -> tuple[str, ...]:
    """Return a calibration of the trend as the cells of a table."""
    return (
        str(one.calibration),
        one.made_at[:10],
        f"{one.slope_percent:.1f}",
        f"{one.offset_mv:+.1f}",
        _cell(one.t95_s, "{:.0f}"),
        _cell(one.noise_mv, "{:.2f}"),
        _cell(one.found_ph, "{:+.3f}"),
        _cell(one.drift_ph_per_day, "{:+.4f}"),
    )


def _cell(value: float | None, form: str) -> str:
    return "-" if value is None else form.format(value)


def lines(condition: ElectrodeCondition) -> Iterator[str]:
    """Yield the lines beside the table, for a terminal of 80 columns."""
    if condition.trend:
        yield from row("Condition", " ".join([f"{condition.status.replace('-', ' ')} (NE 107).", *condition.findings]))
    yield from row("Forecast", condition.forecast.text)
    if condition.refused:
        yield from row("Refused", f"{condition.refused} calibration(s), not in the table")
    for number, done in enumerate(condition.care):
        yield from row("" if number else "Care", done)
    for number, one in enumerate(condition.electrodes):
        yield from row("" if number else "Electrodes", _named(one))


def _named(one: ElectrodeIdentity) -> str:
    name = one.electrode or "(no serial number)"
    since = f"installed {one.installed}, " if one.installed else ""
    times = "once" if one.calibrations == 1 else f"{one.calibrations} times"
    more = " here, more in archives" if one.has_archived else ""
    span = f"calibrated {times}, {one.first_calibrated_at[:10]} to {one.last_calibrated_at[:10]}"
    return f"{name}: {since}{span}, {one.hours_read:g} h of readings{more}{', in use' if one.in_use else ''}"


def head(condition: ElectrodeCondition) -> list[str]:
    """Return the title, folded."""
    name = condition.electrode or "without a serial number (`electrode` in the configuration names it)"
    return wrap(f"Electrode {name} in {condition.probe}", WIDTH)
