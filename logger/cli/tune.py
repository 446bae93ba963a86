"""Try settings of an alarm on the past."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from math import isfinite
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any, TypeVar

import click

from logger.cli._common import (
    config_option,
    folded,
    json_option,
    load_config,
    print_json,
    screen_width,
    sentences,
    warn_if_simulated,
)
from logger.cli._comparison import within_option
from logger.cli._replay_source import Period, ReplaySource, bar, chosen_vat, from_file, from_run, from_store, period_of
from logger.cli._requests import check_name, examples
from logger.cli._times import HouseTime
from logger.config import AlarmConfig, Config, ProbeConfig, VatConfig
from logger.errors import RefusedError

if TYPE_CHECKING:
    from logger.report.trial import Annunciations, Judge
    from logger.report.tuning import Cell, Sweep

    Heard = tuple[ReplaySource, Annunciations, Judge]

Decorated = TypeVar("Decorated", bound=Callable[..., Any])
Open = Callable[[], AbstractContextManager[ReplaySource]]
HEADS = {
    "setpoint": "set-\npoint",
    "deadband": "dead-\nband",
    "on_delay_s": "on-\ndelay",
    "off_delay_s": "off-\ndelay",
    "window_s": "win-\ndow",
}
LARGEST_SEEDS = 500
NOTHING = (
    "In these sources there was nothing to detect, so no delay can be told: add one in which the alarm was right, or "
    "say by --limit from where on it would have been."
)


def _numbers(_ctx: click.Context, _param: click.Parameter, value: str | None) -> tuple[float, ...]:
    """Return numbers that were given with commas between them."""
    if value is None:
        return ()
    try:
        numbers = tuple(float(part) for part in value.split(","))
    except ValueError:
        raise click.BadParameter(f"{value!r} is not numbers with commas between them, such as 5.2,5.4.") from None
    if not all(map(isfinite, numbers)):
        raise click.BadParameter(f"{value!r} holds what is no finite number.")
    return numbers


def _seeds(_ctx: click.Context, _param: click.Parameter, value: str) -> tuple[int, ...]:
    """Return whole numbers that were given with commas between them, or as first-last."""
    try:
        ends = [[int(end) for end in part.split("-", 1)] for part in value.split(",")]
    except ValueError:
        raise click.BadParameter(f"{value!r} is not seeds such as 1,2,5-9.") from None
    seeds = [range(first, (last or [first])[0] + 1) for first, *last in ends]
    if not all(seeds) or sum(map(len, seeds)) > LARGEST_SEEDS:
        raise click.BadParameter(f"{value!r} must be seeds from the first to the last, at most {LARGEST_SEEDS}.")
    return tuple(seed for part in seeds for seed in part)


def _periods(_ctx: click.Context, _param: click.Parameter, value: tuple[str, ...]) -> tuple[Period, ...]:
    return tuple(period_of(each) for each in value)


def _tried(name: str, what: str) -> "Callable[[Decorated], Decorated]":
    return click.option(f"--{name}", metavar="a,b,c", callback=_numbers, help=f"{what} to try.")


@click.command(
    epilog=examples(
        "vatvigil tune ph-high --vat marrow night.jsonl --setpoint 5.2,5.4,5.6",
        "vatvigil tune blind --run probe-knocked --seed 1-9 --on-delay-s 300,600",
        "vatvigil tune temperature-low --stored --window-s 300,600 --limit 17",
    ),
)
@click.argument("alarm")
@click.argument("recordings", nargs=-1, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@config_option
@click.option("--vat", "vat_id", help="The vat that has the alarm; needed if the configuration has several.")
@click.option("--run", "runs", multiple=True, help="A run of the simulator; may be given several times.")
@click.option("--seed", "seeds", metavar="1,2,5-9", callback=_seeds, default="1", help="Of the runs [default: 1].")
@click.option("--stored", is_flag=True, help="All that the configuration's store holds of the vat.")
@click.option(
    "--period",
    "periods",
    metavar="FROM/TO",
    callback=_periods,
    multiple=True,
    help="A part of it, as two times; may be given several times.",
)
@_tried("setpoint", "Setpoints (pH or C)")
@_tried("deadband", "Deadbands (pH or C)")
@_tried("on-delay-s", "On-delays (s)")
@_tried("off-delay-s", "Off-delays (s)")
@_tried("window-s", "Windows (s; 0 judges every record)")
@click.option(
    "--limit", type=float, help="What there is to detect begins at this pH or temperature [default: the setpoint]."
)
@within_option
@json_option
@sentences
def tune(  # noqa: PLR0913 - one parameter for each option
    *,
    alarm: str,
    recordings: tuple[Path, ...],
    config_path: Path,
    vat_id: str | None,
    runs: tuple[str, ...],
    seeds: tuple[int, ...],
    stored: bool,
    periods: tuple[Period, ...],
    within_s: float,
    as_json: bool,
    limit: float | None,
    **values: tuple[float, ...],
) -> None:
    """Try settings of ALARM on RECORDINGS, simulated runs and the stored log.

    Every combination of the values is tried; what is not given stays as it is. The table shows how many nuisances a
    night (12 h) each setting would have brought, and how late it would have come.
    """
    from logger.report import tuning

    config = load_config(config_path)
    vat, now = chosen_vat(config, vat_id), HouseTime.of(config)
    check_name(alarm, [each.id for each in vat.alarms], what=f"vat {vat.id} has no alarm")
    if not any(values.values()):
        raise click.UsageError(f"give values to try, by {', '.join('--' + n.replace('_', '-') for n in values)}")
    opened: list[Open] = [partial(from_file, path, vat) for path in recordings]
    opened += [partial(_run, name, seed, config, vat) for name in runs for seed in seeds]
    opened += [partial(from_store, config, vat, period, now) for period in ((None,) if stored else ()) + periods]
    if not opened:
        raise click.UsageError("give a recording, --run NAME, --stored or --period FROM/TO: one or several")
    probe = config.probe(vat.probe)
    swept = tuning.sweep(vat, probe, alarm, values, limit=limit)
    results = list(_evaluate(opened, swept, probe, within_s=within_s))
    cells = tuning.cells(swept, [(annunciations, judge) for _, annunciations, judge in results])
    warn_if_simulated(simulated=any(source.simulated for source, _, _ in results))
    (_print_json if as_json else _print)(swept, results, cells, within_s=within_s)


@contextmanager
def _run(name: str, seed: int, config: Config, vat: VatConfig) -> Iterator[ReplaySource]:
    yield from_run(name, seed=seed, config=config, vat=vat)


def _evaluate(opened: Sequence[Open], swept: "Sweep", probe: ProbeConfig, *, within_s: float) -> "Iterator[Heard]":
    """Yield the alarms of all settings over each source in turn. Raises RefusedError for a source without any use."""
    from logger.replay import replay
    from logger.report.trial import Judge, OccurrenceRecorder

    watch = swept.watch(probe)
    for each in opened:
        listener = OccurrenceRecorder()
        with each() as source, bar(source) as advance:
            for outcome in replay(watch, swept.asked(source.items)):
                listener.take(outcome)
                advance()
        if not listener.records:
            raise RefusedError(f"{source.name} holds no record: leave it out")
        if swept.present.kind.is_ph and not listener.calibrated:
            raise RefusedError(
                f"{source.name} holds no calibration of {probe.id}, so no pH is claimed and {swept.present.id} says"
                " nothing in it: leave it out, or begin it after a calibration was put in force"
            )
        yield source, listener.annunciations(), Judge(within_s=within_s, faults=source.faults)


def _swept(cells: "Sequence[Cell]") -> list[str]:
    """Return what differs among the settings."""
    return [name for name in HEADS if len({getattr(cell.alarm, name) for cell in cells}) > 1]


def _print(swept: "Sweep", results: "Sequence[Heard]", cells: "Sequence[Cell]", *, within_s: float) -> None:
    from logger.report.words import age

    wanted = len(cells[0].delays_s) + cells[0].missed
    sources = f"{len(results)} source{'s'[: len(results) > 1]}"
    click.echo(
        f"{swept.present.id} of {swept.vat.id}: {len(cells)} settings over {sources}, "
        f"{age(round(cells[0].seconds))}, {wanted} to detect"
    )
    _print_table(cells, _swept(cells))
    click.echo(folded("> present setting. + none is as good in missed, nuisances and delay and better in one."))
    by_faults = _by_faults(swept.present, results)
    rule = f"returned by itself within {age(within_s)}, unacknowledged"
    rule += "; where the faults are known, it came while nothing was wrong with the probe" if by_faults else ""
    click.echo(folded(f"A nuisance {rule}. A night is 12 h."))
    begin = f"{swept.limit:g} was reached and kept for longer than that" if swept.present.kind.has_value else "it began"
    begin = "a fault began of which the alarm would tell" if by_faults else begin
    click.echo(
        fill(
            f"Delay (median) and longest: in minutes, since {begin}. The settings' own times are in s.", screen_width()
        )
    )
    if not wanted:
        click.echo(folded(NOTHING))


def _print_table(cells: "Sequence[Cell]", names: Sequence[str]) -> None:
    """Print the cells in columns that fit into 80 also where everything is swept."""
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    heads = [HEADS[name] for name in names]
    for head in ("", *heads, "alarms/\nnight", "nuis./\nnight", "missed", "delay", "long-\nest"):
        table.add_column(head, justify="right", overflow="fold")
    for cell in cells:
        table.add_row(*_row(cell, names))
    Console(width=None if sys.stdout.isatty() else 80, highlight=False).print(table)


def _by_faults(alarm: AlarmConfig, results: "Sequence[Heard]") -> bool:
    return not alarm.kind.has_value and any(source.faults is not None for source, _, _ in results)


def _row(cell: "Cell", names: Sequence[str]) -> tuple[str, ...]:
    marks = ">" * cell.present + "+" * cell.unbettered
    delays = (cell.delay_s, max(cell.delays_s, default=None))
    return (
        marks,
        *(f"{getattr(cell.alarm, name):g}" for name in names),
        f"{cell.annunciations_per_night:.1f}",
        f"{cell.nuisance_per_night:.1f}",
        str(cell.missed),
        *("-" if delay is None else f"{delay / 60:.1f}" for delay in delays),
    )


def _print_json(swept: "Sweep", results: "Sequence[Heard]", cells: "Sequence[Cell]", *, within_s: float) -> None:
    print_json(
        {
            "vat": swept.vat.id,
            "alarm": swept.present.id,
            "limit": swept.limit,
            "nuisance_within_s": within_s,
            "sources": [
                {
                    "name": source.name,
                    "simulated": source.simulated,
                    "records": annunciations.records,
                    "hours": annunciations.seconds / 3600,
                    "to_detect": len(swept.targets(annunciations, judge)),
                }
                for source, annunciations, judge in results
            ],
            "settings": [_plain(cell) for cell in cells],
        }
    )


def _plain(cell: "Cell") -> dict[str, object]:
    return {
        **{name: getattr(cell.alarm, name) for name in HEADS},
        "present": cell.present,
        "unbettered": cell.unbettered,
        "annunciations": cell.annunciations,
        "nuisance": cell.nuisance,
        "annunciations_per_night": cell.annunciations_per_night,
        "nuisance_per_night": cell.nuisance_per_night,
        "missed": cell.missed,
        "delay_s": cell.delay_s,
        "delays_s": cell.delays_s,
    }
