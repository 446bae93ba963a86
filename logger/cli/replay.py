"""Run a recording or a stored period through the same pipeline."""

import math
import os
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from textwrap import fill

import click
import msgspec

from logger.cli._common import (
    archive_option,
    config_option,
    load_config,
    reading_from,
    screen_width,
    sentences,
    warn_if_simulated,
)
from logger.cli._comparison import compare, within_option
from logger.cli._replay_source import Period, ReplaySource, chosen_vat, from_file, from_run, from_store, one_period
from logger.cli._requests import examples
from logger.cli._times import HouseTime, utc_option
from logger.config import Config, VatConfig
from logger.model import Entry, Measurements, Outcome, Quality
from logger.report.local_time import LocalTime
from logger.units import HOUR_US


@click.command(
    epilog=examples(
        "vatvigil replay night.jsonl -c vatvigil.toml",
        "vatvigil replay --run probe-knocked",
        "vatvigil replay --stored --vat marrow --store again.db",
        "vatvigil replay night.jsonl --with other.toml",
    ),
)
@click.argument("recording", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@config_option
@click.option("--run", "run_name", help="A run of the simulator in place of a recording (`python -m simulator runs`).")
@click.option("--seed", default=1, show_default=True, help="The seed of that run.")
@click.option("--stored", is_flag=True, help="What the configuration's store holds, in place of a recording.")
@click.option("--period", metavar="FROM/TO", callback=one_period, help="A part of what the store holds, as two times.")
@click.option("--vat", "vat_id", help="The vat whose alarms judge; needed if the configuration has several.")
@click.option("--store", "store_path", type=click.Path(path_type=Path), help="Store the outcome here, in a new file.")
@click.option(
    "--with",
    "other_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Another configuration: compare what its alarms would have told with what the present ones would.",
)
@within_option
@archive_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON, one object a line: every record, every transition.")
@utc_option
@sentences
def replay(  # noqa: PLR0913, PLR0917 - one parameter for each option
    recording: Path | None,
    config_path: Path,
    run_name: str | None,
    seed: int,
    period: Period | None,
    vat_id: str | None,
    store_path: Path | None,
    other_path: Path | None,
    within_s: float,
    archive: Path | None,
    *,
    stored: bool,
    as_json: bool,
    utc: bool,
) -> None:
    """Run a recording, a simulated run or the stored log through the pipeline of the watch.

    Prints a line an hour and every transition of an alarm; with --with a table of what the alarms of both
    configurations would have told. A RECORDING is what `vatvigil export --format recording` or
    `python -m simulator record` writes.
    """
    if (recording is not None) + (run_name is not None) + (stored or period is not None) != 1:
        raise click.UsageError("give one of: a RECORDING, --run NAME, --stored, --period FROM/TO")
    if other_path is not None and store_path is not None:
        raise click.UsageError("a comparison is not stored: leave out --with or --store")
    config = reading_from(load_config(config_path), archive)
    vat, now = chosen_vat(config, vat_id), HouseTime.of(config, utc=utc)
    with ExitStack() as opened:
        if recording is not None:
            source = opened.enter_context(from_file(recording, vat))
        elif run_name is not None:
            source = from_run(run_name, seed=seed, config=config, vat=vat)
        else:
            source = opened.enter_context(from_store(config, vat, period, now))
        warn_if_simulated(simulated=source.simulated)
        if other_path is not None:
            compare(config, vat, load_config(other_path), source, clock=now.clock, within_s=within_s, as_json=as_json)
            return
        for outcome in _progress(_outcomes(config, vat, source, store_path), source):
            for line in _json(outcome, simulated=source.simulated) if as_json else _lines(outcome, now.clock):
                click.echo(line)


def _outcomes(config: Config, vat: VatConfig, source: ReplaySource, store_path: Path | None) -> Iterator[Outcome]:
    from logger import replay as past
    from logger.watch.pipeline import Watch

    watch = Watch(vat=vat, probe=config.probe(vat.probe))
    if store_path is None:
        return past.replay(watch, source.items)
    shelf = past.ReplayStore.open(f"sqlite:///{store_path}", simulated=source.simulated)
    return past.replay_into(shelf, watch, source.items)


def _progress(outcomes: Iterator[Outcome], source: ReplaySource) -> Iterator[Outcome]:
    """Pass the outcomes on; show how far it is on standard error, if that is a terminal and the output is not."""
    if not sys.stderr.isatty() or os.isatty(1):
        yield from outcomes
        return
    with click.progressbar(length=source.total, label="Replaying", file=sys.stderr) as bar:
        for outcome in outcomes:
            bar.update(source.done() - bar.pos)
            yield outcome


def _json(outcome: Outcome, *, simulated: bool) -> Iterator[str]:
    from logger.mqtt.payloads import rfc3339

    rows = outcome.measurements
    names = list(rows.__dataclass_fields__)
    for row in zip(*(getattr(rows, name).tolist() for name in names), strict=True):
        fields = dict(zip(names, row, strict=True))
        at = rfc3339(fields["at_us"])
        yield msgspec.json.encode({"measurement": {"at": at, **fields}, "simulated": simulated}).decode()
    for entry in outcome.entries:
        fields = {"at": rfc3339(entry.at_us), **msgspec.to_builtins(entry)}
        yield msgspec.json.encode({"transition": fields, "simulated": simulated}).decode()


def _lines(outcome: Outcome, clock: LocalTime) -> Iterator[str]:
    """Yield a line for the first record of each hour and one for each entry, in the order of their records."""
    hourly = [
        (int(outcome.measurements.seq[row]), _reading(outcome.measurements, row, clock)) for row in _hours(outcome)
    ]
    entries = [(entry.seq, _transition(entry, clock)) for entry in outcome.entries]
    for _, line in sorted(hourly + entries, key=lambda pair: pair[0]):
        yield line


def _hours(outcome: Outcome) -> list[int]:
    hours = outcome.measurements.elapsed_us // HOUR_US
    first = {int(hour): row for row, hour in reversed(list(enumerate(hours)))}
    return sorted(first.values())


def _reading(rows: Measurements, row: int, clock: LocalTime) -> str:
    from logger.mqtt.payloads import quality_word

    when = clock.shown(int(rows.at_us[row]))
    quality = quality_word(int(rows.quality[row]))
    if rows.quality[row] == Quality.MISSING or rows.ph[row] != rows.ph[row]:
        return f"{when}  no pH claimed  {quality}"
    celsius = float(rows.temperature_c[row])
    warmth = "no temperature" if math.isnan(celsius) else f"{celsius:.1f} C"
    return f"{when}  pH {rows.ph[row]:.2f} +/- {2 * rows.u[row]:.2f}  {warmth}  {quality}"


def _transition(entry: Entry, clock: LocalTime) -> str:
    who = f"{entry.alarm} " if entry.alarm else ""
    mark = "ALARM " if entry.annunciates else "held " if entry.held else ""
    text = "" if entry.text in ("", entry.cause.value) else f": {entry.text}"
    when = clock.shown(entry.at_us)
    return fill(f"{when}  {mark}{who}{entry.cause}{text}", screen_width(), subsequent_indent=" " * (len(when) + 2))
