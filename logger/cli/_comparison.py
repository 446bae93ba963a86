"""Compare the alarms of two configurations over the same past, as a table or JSON."""

from collections.abc import Iterator
from textwrap import fill
from typing import TYPE_CHECKING

import click

from logger.cli._common import Between, folded, print_json, print_table, screen_width
from logger.cli._replay_source import ReplaySource, bar
from logger.config import Config, VatConfig
from logger.errors import RefusedError
from logger.report.local_time import LocalTime

if TYPE_CHECKING:
    from logger.report.trial import Annunciations, ComparisonRow, Summary
    from logger.watch.pipeline import Watch

COLUMNS = ("alarm", "settings", "times", "first", "standing", "nuisance")

within_option = click.option(
    "--nuisance-within-s",
    "within_s",
    type=Between(0, 86400),
    default=1800.0,
    show_default=True,
    help="For --with and tune: what returned by itself, unacknowledged, within this time was a nuisance.",
)


def compare(
    config: Config,
    vat: VatConfig,
    other: Config,
    source: ReplaySource,
    *,
    clock: LocalTime,
    within_s: float,
    as_json: bool,
) -> None:
    """Replay a source through both configurations at once and print what differs. Raises RefusedError."""
    from logger.report import trial
    from logger.watch.pipeline import Watch

    theirs = next((each for each in other.vats if each.id == vat.id), None)
    if theirs is None:
        ids = ", ".join(each.id for each in other.vats)
        raise RefusedError(f"the other configuration has no vat {vat.id}, only {ids}: they are compared vat by vat")
    if theirs.probe != vat.probe:
        raise RefusedError(f"there vat {vat.id} is watched by {theirs.probe}, here by {vat.probe}: nothing to compare")
    watches = [Watch(vat=vat, probe=config.probe(vat.probe)), Watch(vat=theirs, probe=other.probe(vat.probe))]
    ours, others = _annunciations_of(watches, source)
    judge = trial.Judge(within_s=within_s, faults=source.faults)
    rows = trial.compare((vat, ours), (theirs, others), judge=judge)
    if as_json:
        _print_json(vat, source, ours, rows, within_s=within_s)
    else:
        _print(vat, source, ours, rows, clock=clock, within_s=within_s)


def _annunciations_of(watches: "list[Watch]", source: ReplaySource) -> "list[Annunciations]":
    from logger.replay import side_by_side
    from logger.report.trial import OccurrenceRecorder

    listeners = [OccurrenceRecorder() for _ in watches]
    with bar(source) as advance:
        for outcomes in side_by_side(watches, source.items):
            for listener, outcome in zip(listeners, outcomes, strict=True):
                listener.take(outcome)
            advance()
    if not listeners[0].records:
        raise RefusedError(f"{source.name} holds no record: there is nothing to compare")
    return [listener.annunciations() for listener in listeners]


def _print_json(
    vat: VatConfig,
    source: ReplaySource,
    annunciations: "Annunciations",
    lines: "list[ComparisonRow]",
    *,
    within_s: float,
) -> None:
    from msgspec import to_builtins

    alarms = [{**to_builtins(line), "differs": line.differs} for line in lines]
    print_json(
        {
            "vat": vat.id,
            "source": source.name,
            "simulated": source.simulated,
            "records": annunciations.records,
            "hours": annunciations.seconds / 3600,
            "calibrated": annunciations.calibrated,
            "nuisance_within_s": within_s,
            "alarms": alarms,
        }
    )


def _print(
    vat: VatConfig,
    source: ReplaySource,
    annunciations: "Annunciations",
    lines: "list[ComparisonRow]",
    *,
    clock: LocalTime,
    within_s: float,
) -> None:
    from logger.report.words import age

    begin = clock.shown(annunciations.begin_at_us)
    title = f"{vat.id}: {source.name}, {age(round(annunciations.seconds))} from {begin}"
    print_table(title, COLUMNS, [row for line in lines for row in _rows(line, clock)])
    if not annunciations.calibrated:
        click.echo(folded("No calibration is in force in it, so no pH is claimed: the pH alarms say nothing."))
    rule = f"A nuisance returned by itself within {age(within_s)}, unacknowledged"
    if source.faults is not None:
        rule += "; one of no-data or blind came while nothing was wrong with the probe"
    differing = sum(line.differs for line in lines)
    click.echo(fill(f"* differs ({differing} of {len(lines)} alarms). {rule}.", screen_width()))


def _rows(line: "ComparisonRow", clock: LocalTime) -> Iterator[tuple[str, ...]]:
    """Yield one row where both settings tell the same, else one for each, with a star at what differs."""
    ours, theirs = _cells(line.present, clock), _cells(line.other, clock)
    if not line.differs:
        yield line.alarm, "both", *ours
        return
    yield line.alarm, "present", *ours
    yield "", "other", *(text if text == own else f"{text} *" for text, own in zip(theirs, ours, strict=True))


def _cells(summary: "Summary | None", clock: LocalTime) -> tuple[str, str, str, str]:
    from logger.report.words import age

    if summary is None:
        return "not there", "", "", ""
    first = "-" if summary.first_at_us is None else f"{clock.moment(summary.first_at_us):%m-%d %H:%M}"
    standing = age(summary.standing_s) if summary.annunciations else "-"
    return str(summary.annunciations), first, standing, str(summary.nuisance)
