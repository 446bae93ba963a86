"""Write the report of a batch, and verify one by its digest.

Law: reads only; writes no file that exists, and leaves none that is not whole.
"""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from html.parser import HTMLParser
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.cli._common import ATTENTION, CAUTION, config_option, folded, load_config, sentences
from logger.cli._requests import print_simulated, reading_store, watch_now_us
from logger.cli._times import utc_option
from logger.cli.export import opened
from logger.config import Config
from logger.errors import RefusedError
from logger.model import BatchRecord
from logger.store import Store

if TYPE_CHECKING:
    from logger.store.batch_seal import Seal, SealHead

_FILE = click.Path(dir_okay=False, path_type=Path)
LONGEST_REPORT = 64_000_000
"""Bytes of a report that is read again."""
also_option = click.option(
    "--also",
    "others",
    multiple=True,
    type=_FILE,
    help="Another store (an SQLite file) that holds a part of the batch, as one that was set aside; may be repeated.",
)


@click.command()
@click.argument("batch")
@click.option("--out", type=_FILE, help="The page to write [default: batch-ID.html].")
@click.option("--data", type=_FILE, help="Write what the digest seals too, for sha256sum and other programs.")
@also_option
@utc_option
@config_option
@sentences
def report(
    batch: str, out: Path | None, data: Path | None, others: tuple[Path, ...], config_path: Path, *, utc: bool
) -> None:
    """Write the report of BATCH: one page for any browser, which prints well.

    It says in plain words what was shown, with what confidence; then come the course and all that is stored. What
    nobody recorded says so. It is sealed by a digest of the stored values, which `batch verify` makes again. A record
    proves what was measured and written down, not that a food is safe: follow a tested recipe, local rules and a
    licensed process authority.
    """
    from logger.report import batch_facts, batch_page
    from logger.report.local_time import LocalTime

    config = load_config(config_path)
    with ExitStack() as files:
        stores = files.enter_context(_stores(config, others))
        found = batch_facts.record_of(stores, batch)
        _require_archives(stores, found)
        target = Path(f"batch-{found.id}.html") if out is None else out
        page = files.enter_context(opened(target))
        sink = None if data is None else files.enter_context(opened(data))
        advance = files.enter_context(_progress())
        now = watch_now_us(config, stores[0])
        facts = batch_facts.gather(
            config, stores, found, at_us=now, version=version("vatvigil"), sink=sink, advance=advance
        )
        clock = LocalTime.of(facts.vat.people, utc=utc)
        page.write(batch_page.write(facts, clock, caution=CAUTION).encode())
    print_simulated(simulated=config.simulated)
    click.echo(f"Written: {target}")
    click.echo(f"Digest (SHA-256): {facts.seal.digest}")
    click.echo(folded(CAUTION))


@click.command()
@click.argument("report", type=_FILE, metavar="REPORT")
@click.option(
    "--data",
    type=_FILE,
    help="Make the digest from this file, which `batch report --data` wrote, in place of the store.",
)
@also_option
@config_option
@sentences
def verify(report: Path, data: Path | None, others: tuple[Path, ...], config_path: Path) -> None:
    """Verify REPORT: make its digest again from the store, or from a file of the sealed values.

    Rows that came after the report was made do not count. The words and figures of the page are not sealed: to have
    them again, make a new report.
    """
    from logger.store import batch_seal

    digest, line = _sealed_by(report)
    head = batch_seal.read_head(line)
    if data is not None:
        _tell(digest, _digest_of(data), f"the file {data}")
        return
    config = load_config(config_path)
    with _stores(config, others) as stores:
        found = _sealed_again(stores, head)
    _tell(digest, found.digest, "the store" if len(stores) == 1 else "the stores")


def _require_archives(stores: Sequence[Store], batch: BatchRecord) -> None:
    """Raise RefusedError if a part of a batch is in an archive that was not named."""
    until_us = batch.started_at_us if batch.ended_at_us is None else batch.ended_at_us
    named = {store.archive.digest for store in stores if store.archive is not None}
    for note in {note.digest: note for store in stores for note in store.moved}.values():
        if note.digest not in named and note.holds(batch.vat, batch.started_at_us, until_us + 1):
            raise RefusedError(
                f"the records of batch {batch.id} are in the archive {note.file}: add --also and where it is now"
            )


def _sealed_again(stores: Sequence[Store], head: "SealHead") -> "Seal":
    """Return the digest of the stores, in the order in which they hold what was sealed."""
    from logger.store import batch_seal

    ordered = sorted(stores, key=lambda store: batch_seal.place_of(store, head))
    with _progress() as advance:
        return batch_seal.seal(ordered[: len(head.parts)], head, advance=advance)


def _tell(digest: str, found: str, where: str) -> None:
    if digest == found:
        click.echo(f"The same: {where} holds what the report was made of. Digest (SHA-256): {digest}")
        return
    click.echo(folded(f"NOT THE SAME: {where} does not hold what the report was made of, or the report was changed."))
    click.echo(f"In the report: {digest}\nFound now:     {found}")
    sys.exit(ATTENTION)


@contextmanager
def _stores(config: Config, others: Sequence[Path]) -> Iterator[list[Store]]:
    """Open the store of the configuration and others, for reading only."""
    with ExitStack() as opened_stores:
        stores = [opened_stores.enter_context(reading_store(config))]
        for path in others:
            url = f"sqlite:///{path.resolve()}"
            stores.append(opened_stores.enter_context(Store.open(url, simulated=config.simulated, read_only=True)))
        yield stores


@contextmanager
def _progress() -> Iterator[Callable[[int], object]]:
    """Give a function to be told how many records more were read; a bar shows it where somebody can see it."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn

    columns = SpinnerColumn(), TextColumn("{task.completed:.0f} records read")
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        yield partial(bar.advance, bar.add_task("records", total=None))


class _Metadata(HTMLParser):
    """Gathers the metadata of a page by name."""

    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, str] = {}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag == "meta" and named.get("name"):
            self.found.setdefault(str(named["name"]), named.get("content") or "")


def _sealed_by(report: Path) -> tuple[str, str]:
    """Return the digest of a report, and the first line of what it seals. Raises RefusedError."""
    from logger.report.batch_page import DIGEST, HEAD

    page = _Metadata()
    try:
        with report.open(encoding="utf-8") as file:
            page.feed(file.read(LONGEST_REPORT))
    except (OSError, ValueError) as error:
        raise RefusedError(f"{report} cannot be read as a page: take the report as it was made") from error
    if not page.found.get(DIGEST):
        raise RefusedError(f"{report} is no report of a batch: it has no digest")
    return page.found[DIGEST], page.found.get(HEAD, "")


def _digest_of(data: Path) -> str:
    from hashlib import file_digest

    try:
        with data.open("rb") as file:
            return file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise RefusedError(
            f"{data} cannot be read ({error.strerror}): name the file of `batch report --data`"
        ) from error
