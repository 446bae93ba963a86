"""Open the source of a replay: a recording, a run of the simulator, the stored log.

Law: a source is of the probe whose watch it is replayed through, or it is refused.
"""

import io
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import click

from logger.cli._requests import tell_elsewhere
from logger.cli._times import Given, HouseTime, between, given
from logger.config import Config, VatConfig
from logger.errors import ConfigurationError, RefusedError
from logger.model import Block, Command

if TYPE_CHECKING:
    from logger.recording import KnownFault


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplaySource:
    """What is replayed: the items, and how far it has come of how much."""

    name: str
    simulated: bool
    items: Iterable[Block | Command]
    total: int
    done: Callable[[], int]
    faults: Sequence["KnownFault"] | None = None
    """What was wrong with the probe; None: nobody knows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """Two times as they were written, the end excluded."""

    text: str
    since: Given
    until: Given

    def ends_us(self, now: HouseTime) -> tuple[int, int]:
        """Return its ends as UTC microseconds. Raises click.BadParameter."""
        begin_us, end_us = between(self.since, self.until, now)
        if begin_us is None or end_us is None or begin_us >= end_us:
            raise click.BadParameter(f"{self.text!r} ends before it begins.", param_hint="--period")
        return begin_us, end_us


def period_of(text: str) -> Period:
    """Return two times with a slash between (an interval of ISO 8601). Raises click.BadParameter."""
    since, slash, until = text.partition("/")
    if not slash:
        raise click.BadParameter(f"{text!r} is not FROM/TO, such as 22:00/06:00 or 2026-11-24T18:00:00Z/2026-11-25.")
    return Period(text=text, since=given(since), until=given(until))


def one_period(_ctx: click.Context, _param: click.Parameter, value: str | None) -> Period | None:
    """Turn what was given into a period."""
    return None if value is None else period_of(value)


def chosen_vat(config: Config, vat_id: str | None) -> VatConfig:
    """Return the vat of that id, or the only one. Raises ConfigurationError."""
    vats = {vat.id: vat for vat in config.vats}
    if vat_id is None and len(vats) == 1:
        return next(iter(vats.values()))
    if vat_id not in vats:
        raise ConfigurationError(f"--vat must name one of the configuration's vats: {', '.join(vats)}")
    return vats[vat_id]


@contextmanager
def from_file(path: Path, vat: VatConfig) -> Iterator[ReplaySource]:
    """Open a recording."""
    with path.open("rb") as stream:
        yield _recorded(stream, vat, name=str(path), total=path.stat().st_size)


def from_run(name: str, *, seed: int, config: Config, vat: VatConfig) -> ReplaySource:
    """Let the simulator make a run at the pace of the vat's probe."""
    poll_s = str(config.probe(vat.probe).poll_s)
    options = ["--seed", str(seed), "--poll", poll_s, "--vat", vat.id, "--probe", vat.probe]
    command = [sys.executable, "-P", "-m", "simulator", "record", name, *options]
    done = subprocess.run(command, capture_output=True, check=False)  # noqa: S603 - our own module
    if done.returncode:
        errors = done.stderr.decode().strip().splitlines() or ["it did not say why"]
        raise RefusedError(f"the simulator made no run: {errors[-1].removeprefix('Error: ')}")
    return _recorded(io.BytesIO(done.stdout), vat, name=f"run {name}, seed {seed}", total=len(done.stdout))


def _recorded(stream: BinaryIO, vat: VatConfig, *, name: str, total: int) -> ReplaySource:
    from logger import recording

    header, items = recording.read(stream, name=name)
    if header.probe != vat.probe:
        raise RefusedError(
            f"{name} is of probe {header.probe}, and vat {vat.id} is watched by {vat.probe}: choose a vat of that probe"
            " with --vat, or a recording of this one"
        )
    faults = header.faults if isinstance(header.faults, tuple) else None
    return ReplaySource(
        name=name, simulated=header.simulated, items=items, total=total, done=stream.tell, faults=faults
    )


@contextmanager
def from_store(config: Config, vat: VatConfig, period: Period | None, now: HouseTime) -> Iterator[ReplaySource]:
    """Open what the store holds of a vat with its probe, all of it or a period."""
    from logger.report import excerpt
    from logger.store import Store, history

    since_us, until_us = period.ends_us(now) if period else (None, None)
    with Store.open(config.store_url, simulated=config.simulated, read_only=True) as store:
        tell_elsewhere(store, vat.id, since_us, until_us)
        all_spans = history.spans(store, vat=vat.id, since_at_us=since_us, until_at_us=until_us)
        spans = [span for span in all_spans if span.probe == vat.probe]
        if not spans:
            when = " in that time" if period else ""
            raise RefusedError(f"the store {store.where} holds no record of vat {vat.id} with probe {vat.probe}{when}")
        done = 0

        def items() -> Iterator[Block | Command]:
            nonlocal done
            for item in excerpt.items(store, spans[0]):
                done += 0 if isinstance(item, Command) else len(item)
                yield item

        total = spans[0].last - spans[0].first + 1
        yield ReplaySource(
            name=_period_name(vat, period),
            simulated=config.simulated,
            items=items(),
            total=total,
            done=lambda: done,
        )


@contextmanager
def bar(source: ReplaySource) -> Iterator[Callable[[], None]]:
    """Give a function that shows how far a source has come, on standard error where that is a terminal."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    with click.progressbar(length=source.total, label=source.name, file=sys.stderr) as shown:
        yield lambda: shown.update(source.done() - shown.pos)


def _period_name(vat: VatConfig, period: Period | None) -> str:
    if period is None:
        return f"the stored log of {vat.id}"
    return f"{vat.id} {period.text}"
