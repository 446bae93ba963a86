"""`vatvigil replay`: the past once more, through the pipeline that runs at night."""

import io
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill

import click
import msgspec

from logger.cli.asking import examples
from logger.cli.common import config_option, load_config, sentences, warn_if_simulated
from logger.config import Config, VatConfig
from logger.errors import ConfigurationError, RefusedError
from logger.model import Block, Command, Entry, Measurements, Outcome, Quality

HOUR_US = 3_600_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Source:
    """Where a replay comes from: the items, and how far it has come of how much."""

    simulated: bool
    items: Iterable[Block | Command]
    total: int
    done: Callable[[], int]


@click.command(
    epilog=examples(
        "vatvigil replay night.jsonl -c vatvigil.toml",
        "vatvigil replay --run probe-knocked",
        "vatvigil replay --stored --vat marrow --store again.db",
    ),
)
@click.argument("recording", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@config_option
@click.option("--run", "run_name", help="A run of the simulator in place of a recording (`python -m simulator runs`).")
@click.option("--seed", default=1, show_default=True, help="The seed of that run.")
@click.option("--stored", is_flag=True, help="What the configuration's store holds, in place of a recording.")
@click.option("--vat", "vat_id", help="The vat whose alarms judge; needed if the configuration has several.")
@click.option("--store", "store_path", type=click.Path(path_type=Path), help="Store the outcome here, in a new file.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, one object a line: every record, every transition.")
@sentences
def replay(
    recording: Path | None,
    config_path: Path,
    run_name: str | None,
    seed: int,
    vat_id: str | None,
    store_path: Path | None,
    *,
    stored: bool,
    as_json: bool,
) -> None:
    """Carry a recording, a simulated run or the stored log through the very same pipeline.

    Prints a line an hour and every transition of an alarm. A RECORDING is what `vatvigil export --format recording` or
    `python -m simulator record` writes.
    """
    if (recording is not None) + (run_name is not None) + stored != 1:
        raise click.UsageError("give one of: a RECORDING, --run NAME, --stored")
    config = load_config(config_path)
    vat = _vat(config, vat_id)
    with ExitStack() as opened:
        if stored:
            source = opened.enter_context(_from_store(config, vat))
        elif recording is not None:
            source = opened.enter_context(_from_file(recording))
        else:
            source = _from_run(str(run_name), seed=seed, config=config, vat=vat)
        warn_if_simulated(simulated=source.simulated)
        for outcome in _progress(_outcomes(config, vat, source, store_path), source):
            for line in _json(outcome, simulated=source.simulated) if as_json else _lines(outcome):
                click.echo(line)


def _vat(config: Config, vat_id: str | None) -> VatConfig:
    known = {vat.id: vat for vat in config.vats}
    if vat_id is None and len(known) == 1:
        return next(iter(known.values()))
    if vat_id not in known:
        raise ConfigurationError(f"--vat must name one of the configuration's vats: {', '.join(known)}")
    return known[vat_id]


def _outcomes(config: Config, vat: VatConfig, source: _Source, store_path: Path | None) -> Iterator[Outcome]:
    from logger import replay as past
    from logger.pipeline import Watch

    watch = Watch(vat=vat, probe=config.probe(vat.probe))
    if store_path is None:
        return past.replay(watch, source.items)
    shelf = past.Shelf.open(f"sqlite:///{store_path}", simulated=source.simulated)
    return past.replay_into(shelf, watch, source.items)


@contextmanager
def _from_file(path: Path) -> Iterator[_Source]:
    from logger import recording

    with path.open("rb") as stream:
        header, items = recording.read(stream, name=str(path))
        yield _Source(simulated=header.simulated, items=items, total=path.stat().st_size, done=stream.tell)


def _from_run(name: str, *, seed: int, config: Config, vat: VatConfig) -> _Source:
    from logger import recording

    poll_s = str(config.probe(vat.probe).poll_s)
    options = ["--seed", str(seed), "--poll", poll_s, "--vat", vat.id, "--probe", vat.probe]
    command = [sys.executable, "-P", "-m", "simulator", "record", name, *options]
    made = subprocess.run(command, capture_output=True, check=False)  # noqa: S603 - our own module
    if made.returncode:
        said = made.stderr.decode().strip().splitlines() or ["it did not say why"]
        raise RefusedError(f"the simulator made no run: {said[-1].removeprefix('Error: ')}")
    stream = io.BytesIO(made.stdout)
    header, items = recording.read(stream, name=f"run {name}")
    return _Source(simulated=header.simulated, items=items, total=len(made.stdout), done=stream.tell)


@contextmanager
def _from_store(config: Config, vat: VatConfig) -> Iterator[_Source]:
    from logger.store import Store, history

    with Store.open(config.store_url, simulated=config.simulated, read_only=True) as store:
        spans = [span for span in history.spans(store, vat=vat.id) if span.probe == vat.probe]
        if not spans:
            raise RefusedError(f"the store {store.where} holds no record of vat {vat.id} with probe {vat.probe}")
        done = 0

        def items() -> Iterator[Block | Command]:
            nonlocal done
            yield from history.consumed_commands(store, spans[0])
            for block in history.indications(store, spans[0]):
                done += len(block)
                yield block

        total = spans[0].last - spans[0].first + 1
        yield _Source(simulated=config.simulated, items=items(), total=total, done=lambda: done)


def _progress(outcomes: Iterator[Outcome], source: _Source) -> Iterator[Outcome]:
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
        told = dict(zip(names, row, strict=True))
        at = rfc3339(told["at_us"])
        yield msgspec.json.encode({"measurement": {"at": at, **told}, "simulated": simulated}).decode()
    for entry in outcome.entries:
        told = {"at": rfc3339(entry.at_us), **msgspec.to_builtins(entry)}
        yield msgspec.json.encode({"transition": told, "simulated": simulated}).decode()


def _lines(outcome: Outcome) -> Iterator[str]:
    """Yield a line for the first record of each hour and one for each entry, in the order of their records."""
    hourly = [(int(outcome.measurements.seq[row]), _reading(outcome.measurements, row)) for row in _hours(outcome)]
    entries = [(entry.seq, _transition(entry)) for entry in outcome.entries]
    for _, line in sorted(hourly + entries, key=lambda pair: pair[0]):
        yield line


def _hours(outcome: Outcome) -> list[int]:
    hours = outcome.measurements.elapsed_us // HOUR_US
    first = {int(hour): row for row, hour in reversed(list(enumerate(hours)))}
    return sorted(first.values())


def _reading(rows: Measurements, row: int) -> str:
    from logger.mqtt.payloads import quality_word
    from logger.report.words import moment

    when = moment(int(rows.at_us[row]))
    quality = quality_word(int(rows.quality[row]))
    if rows.quality[row] == Quality.MISSING or rows.ph[row] != rows.ph[row]:
        return f"{when}  no pH claimed  {quality}"
    return f"{when}  pH {rows.ph[row]:.2f} +/- {2 * rows.u[row]:.2f}  {rows.temperature_c[row]:.1f} C  {quality}"


def _transition(entry: Entry) -> str:
    from logger.report.words import moment

    who = f"{entry.alarm} " if entry.alarm else ""
    mark = "ALARM " if entry.annunciates else ""
    told = "" if entry.text in ("", entry.cause.value) else f": {entry.text}"
    return fill(f"{moment(entry.at_us)}  {mark}{who}{entry.cause}{told}", 80, subsequent_indent=" " * 22)
