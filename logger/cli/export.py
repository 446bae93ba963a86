"""Write the log as CSV or as a recording.

Law: reads only, in short transactions, so that the daemon is never held up; writes no file that exists, and leaves
none that is not whole.
"""

import io
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, TypeVar

import click

from logger import private_file
from logger.cli._common import (
    CAUTION,
    SIMULATED,
    archive_option,
    config_option,
    load_config,
    reading_from,
    sentences,
)
from logger.cli._requests import examples, now_us, reading_store, tell_elsewhere, vat_of
from logger.cli._times import EXAMPLES, Given, HouseTime, between, moment_option, utc_option
from logger.config import Config
from logger.errors import RefusedError
from logger.model import Block, Calibration, Command, Correction, Measurements
from logger.store import Store, queries
from logger.store.history import RecordSpan
from logger.structs import replace

if TYPE_CHECKING:
    from logger.report.corrected import Corrected

Piece = TypeVar("Piece", bound=Measurements | Block | Command)


@click.command(
    epilog=examples(
        "vatvigil export marrow --out marrow.csv",
        "vatvigil export marrow --corrected --notes --out marrow.csv",
        "vatvigil export marrow --format recording --from 22:00 --to 06:00 --out night.jsonl",
        "vatvigil export --batch N-17 --out batch.csv",
    ),
)
@click.argument("vat", required=False)
@click.option(
    "--batch", metavar="NAME", help="Only the records of this batch, by its id, its lot or its vat; in place of VAT."
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "recording"]),
    default="csv",
    show_default=True,
    help="csv: a table for other programs; recording: what `vatvigil replay` reads.",
)
@moment_option("--from", "since", help=f"The first record is the first at or after this time, {EXAMPLES}.")
@moment_option("--to", "until", help="The last record is the last before this time.")
@click.option("--probe", help="Only the records of this probe, where the vat had several.")
@click.option(
    "--corrected", is_flag=True, help="Add columns with the corrections in force (CSV); the others stay as they are."
)
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write [default: standard output]."
)
@click.option(
    "--notes",
    "with_notes",
    is_flag=True,
    help="Before the names of the columns, lines that begin with # and say what each column is (CSV).",
)
@archive_option
@config_option
@utc_option
@sentences
def export(  # noqa: PLR0913, PLR0917 - one parameter for each option
    vat: str | None,
    batch: str | None,
    form: str,
    since: Given | None,
    until: Given | None,
    probe: str | None,
    out: Path | None,
    archive: Path | None,
    config_path: Path,
    *,
    corrected: bool,
    with_notes: bool,
    utc: bool,
) -> None:
    """Write the log of VAT, or of a batch: everything that came from the probe and what was made of it.

    A CSV begins with one line of column names, and rounds to what values can mean. A recording holds the raw
    indications to the last digit, and what was asked of the watch, calibrations included: `vatvigil replay` makes the
    same log of it. pH alone does not make food safe.
    """
    if corrected and form != "csv":
        raise click.UsageError("a recording holds what came from the probe, so --corrected is for --format csv only")
    if with_notes and form != "csv":
        raise click.UsageError("a recording explains itself in its first line: --notes is for --format csv only")
    if (vat is None) == (batch is None):
        raise click.UsageError("name either VAT or --batch NAME")
    if batch is not None and (since is not None or until is not None):
        raise click.UsageError("a batch has its own begin and end: --from and --to go with VAT")
    config = reading_from(load_config(config_path), archive)
    ends_us = between(since, until, HouseTime.of(config, utc=utc))
    with reading_store(config) as store:
        vat, ends_us = (vat or "", ends_us) if batch is None else _ends_of(store, batch)
        tell_elsewhere(store, vat, *ends_us)
        spans = _spans(config, store, vat, probe=probe, since_us=ends_us[0], until_us=ends_us[1])
        with opened(out) as stream:
            if form == "csv":
                _write_csv(config, store, spans, stream, corrected=corrected, with_notes=with_notes, utc=utc)
            else:
                _write_recording(config, store, spans, stream)


def _ends_of(store: Store, name: str) -> tuple[str, tuple[int, int | None]]:
    """Return the vat of a batch and its ends (UTC, microseconds; None: it has not ended)."""
    from logger.store import batches

    batch = batches.find(store, name)
    return batch.vat, (batch.started_at_us, None if batch.ended_at_us is None else batch.ended_at_us + 1)


def _spans(
    config: Config, store: Store, vat: str, *, probe: str | None, since_us: int | None, until_us: int | None
) -> list[RecordSpan]:
    from logger.store import history

    spans = history.spans(store, vat=vat, since_at_us=since_us, until_at_us=until_us)
    wanted = [span for span in spans if probe in (None, span.probe)]
    if wanted:
        return wanted
    if not spans and not history.spans(store, vat=vat):
        vat_of(config, vat)
        raise RefusedError(f"vat {vat} has no record yet: the daemon (`vatvigil run`) makes them")
    if not spans:
        raise RefusedError(f"vat {vat} has no record in that time: choose other --from and --to")
    raise RefusedError(f"vat {vat} has no record of {probe}, only of {', '.join(span.probe for span in spans)}")


def _write_csv(
    config: Config,
    store: Store,
    spans: list[RecordSpan],
    stream: BinaryIO,
    *,
    corrected: bool,
    with_notes: bool,
    utc: bool,
) -> None:
    from logger.report import csv_file
    from logger.report.beliefs import EvidenceIndex
    from logger.report.corrected import in_force, sentence
    from logger.report.local_time import LocalTime
    from logger.report.words import moment
    from logger.store import history

    simulated = [SIMULATED] if config.simulated else []
    notes = [f"Log of vat {spans[0].vat}, written by vatvigil {moment(now_us(config))}", *simulated, CAUTION]
    accepted = [one.calibration for span in spans for one in queries.calibrations(store, span.probe) if one.accepted]
    corrections = {span.probe: queries.corrections(store, span.probe) for span in spans}
    notes += [_one_line(sentence(one)) for rows in corrections.values() for one in in_force(rows).values()]
    correct = _correction(config, accepted, corrections) if corrected else None
    with _progress(spans) as advance, _text(stream) as text:
        pieces = (
            (span, _counted(history.measurements(store, replace(span, last=span.last + 1)), advance)) for span in spans
        )
        checks = [check for span in spans for check in queries.checks(store, span.probe)]
        csv_file.write(
            text,
            pieces,
            clock=LocalTime.of(config.people, utc=utc),
            evidence=EvidenceIndex.of(accepted, checks, people=config.people),
            simulated=config.simulated,
            notes=notes if with_notes else (),
            correct=correct,
        )


def _one_line(text: str) -> str:
    """Return a person's words on one line: they stand in a line that begins with #."""
    return " ".join(text.split())


def _correction(
    config: Config, accepted: Iterable[Calibration], corrections: Mapping[str, Iterable[Correction]]
) -> Callable[[RecordSpan, Measurements], "Corrected"]:
    """Return what corrects records by the rows of their probe. Raises RefusedError for a probe not configured."""
    from logger.report.corrected import correct

    probes = {probe.id: probe for probe in config.probes}
    if unknown := corrections.keys() - probes:
        raise RefusedError(
            f"{', '.join(sorted(unknown))} is not in the configuration, so its error model is not known: add it there"
        )
    by_id = {one.id: one for one in accepted}

    def beside(span: RecordSpan, rows: Measurements) -> "Corrected":
        probe = probes[span.probe]
        assumed_c = probe.assumed_temperature_c
        return correct(rows, corrections[span.probe], by_id, errors=probe.errors, assumed_c=assumed_c)

    return beside


def _write_recording(config: Config, store: Store, spans: list[RecordSpan], stream: BinaryIO) -> None:
    from logger import recording
    from logger.report import excerpt

    if len(spans) > 1:
        probes = ", ".join(span.probe for span in spans)
        raise RefusedError(f"a recording is of one probe, the vat had {probes}: choose one with --probe")
    (span,) = spans
    probes_by_id = {probe.id: probe for probe in config.probes}
    if span.probe not in probes_by_id:
        raise RefusedError(f"{span.probe} is not in the configuration, so its poll_s is not known: add it there")
    header = recording.Header(
        recording=recording.VERSION,
        simulated=config.simulated,
        vat=span.vat,
        probe=span.probe,
        poll_s=probes_by_id[span.probe].poll_s,
    )
    with _progress(spans) as advance:
        recording.write(stream, header, _counted(excerpt.items(store, span), advance))


@contextmanager
def opened(out: Path | None) -> Iterator[BinaryIO]:
    """Open a new file, or standard output; a file that could not be finished is removed."""
    if out is None:
        with _failing_as("standard output could not be written"):
            yield sys.stdout.buffer
            sys.stdout.buffer.flush()
        return
    try:
        stream = private_file.opened(out, "xb")
    except FileExistsError:
        raise RefusedError(f"{out} exists already and is left as it is: name another file") from None
    except OSError as error:
        raise RefusedError(f"{out} cannot be written ({error.strerror}): name another file") from error
    try:
        with _failing_as(f"{out} could not be finished and was removed"), stream:
            yield stream
    except BaseException:
        out.unlink(missing_ok=True)
        raise


@contextmanager
def _failing_as(sentence: str) -> Iterator[None]:
    """Turn a failure to write into a sentence; a reader that went away is left to click, which ends quietly."""
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        raise RefusedError(f"{sentence} ({error.strerror}): free some space, or write elsewhere") from error


@contextmanager
def _text(stream: BinaryIO) -> Iterator[io.TextIOWrapper]:
    """Write text to a stream that stays open afterwards."""
    text = io.TextIOWrapper(stream, encoding="utf-8", newline="")
    try:
        yield text
        text.flush()
    finally:
        text.detach()


@contextmanager
def _progress(spans: list[RecordSpan]) -> Iterator[Callable[[int], object]]:
    """Give a function to be told how many records more are written; a bar shows it where somebody can see it."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("records", total=sum(span.last - span.first + 1 for span in spans))
        yield partial(bar.advance, task)


def _counted(pieces: Iterable[Piece], advance: Callable[[int], object]) -> Iterator[Piece]:
    """Pass pieces on, and tell how many records went through."""
    for piece in pieces:
        yield piece
        if not isinstance(piece, Command):
            advance(len(piece))
