"""Share among the commands of a batch: options from the fields of an entry, storing entries, what is printed of it.

Law: an option is made from the field that it fills, so label, unit and choices stand in one place. An entry and the
command by which the watch hears of it go into the store together; the watch hears only of what happens now.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from functools import wraps
from pathlib import Path
from types import NoneType
from typing import Any, TypeVar, get_args, get_type_hints

import click

from logger.alarm import requests
from logger.alarm.lifecycle import Now
from logger.cli._common import config_option, folded, json_option, load_config, print_json, sentences
from logger.cli._requests import (
    BUSY_S,
    PendingRequest,
    await_answers,
    by_option,
    exit_refused,
    outcome,
    print_simulated,
    wait_option,
    watch_now_us,
)
from logger.cli._times import Given, HouseTime, at, moment_option
from logger.config import Config, VatConfig
from logger.errors import RefusedError
from logger.model import AnyEntry, BatchContent, BatchEntry, BatchRecord, Carry, Command, figures
from logger.model.batch import labels
from logger.model.batch_record import filled_fields
from logger.report.local_time import LocalTime
from logger.store import Store, queries
from logger.store.batch_writing import new_entry_id

Decorated = TypeVar("Decorated", bound=Callable[..., Any])
C = TypeVar("C", bound=BatchContent)


def content_options(
    content: type[BatchContent], *, leave_out: frozenset[str] = frozenset(), prefix: str = ""
) -> Callable[[Decorated], Decorated]:
    """Return a decorator that gives a command an option for each field of a content."""

    def decorate(command: Decorated) -> Decorated:
        for name in reversed(content.__struct_fields__):
            if name not in leave_out:
                command = _option(content, name, prefix)(command)
        return command

    return decorate


def _option(content: type[BatchContent], name: str, prefix: str) -> Callable[[Decorated], Decorated]:
    field, flag = labels(content)[name], f"--{prefix}{_flag(name)}"
    words, unit, choices = field.words, field.unit, field.choices
    help_text = f"{words[:1].upper()}{words[1:]}." if words[:2] != "pH" else f"{words}."
    if unit == "us":
        return moment_option(flag, f"{prefix}{name}".replace("-", "_"), help=help_text)
    kind = field_type(content, name)
    metavar = unit or ("TEXT" if kind is str else "NUMBER")
    given = click.Choice([str(each) for each in choices]) if choices is not None else kind
    shown: dict[str, Any] = {} if choices is not None else {"metavar": metavar}
    return click.option(flag, f"{prefix}{name}".replace("-", "_"), type=given, help=help_text, **shown)


def _flag(name: str) -> str:
    for suffix in ("_at_us", "_percent", "_kg", "_h", "_s", "_l"):
        if name.endswith(suffix) and len(name) > len(suffix) + 1:
            return name.removesuffix(suffix).replace("_", "-")
    return name.replace("_", "-")


def field_type(content: type[BatchContent], name: str) -> type:
    """Return the type of a field, None aside."""
    hint = get_type_hints(content)[name]
    kinds: list[type] = [kind for kind in get_args(hint) if kind is not NoneType]
    return kinds[0] if kinds else str


def filled(content: type[C], values: Mapping[str, object], now: HouseTime, *, prefix: str = "") -> C:
    """Return the content that the options of a command fill; what was not given stays empty."""
    names = {name: f"{prefix}{name}".replace("-", "_") for name in content.__struct_fields__}
    given = {name: values.get(option) for name, option in names.items()}
    said: dict[str, Any] = {name: _value(value, now) for name, value in given.items() if value is not None}
    return content(**said)


def _value(value: object, now: HouseTime) -> object:
    return value if isinstance(value, str | int | float) else at(value, now)  # type: ignore[arg-type] # else a time as written


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryOptions:
    """What every command that enters something takes."""

    happened: Given | None
    by: str
    note: str
    wait_s: float | None
    config_path: Path
    as_json: bool


_OPTIONS = (
    moment_option("--at", "happened", help="When it happened [default: now]; an entry made well after it says so."),
    by_option,
    click.option("--note", default="", metavar="TEXT", help="A remark, kept exactly as it is written."),
    wait_option,
    config_option,
    json_option,
)


def entry_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of `EntryOptions`, which it takes as `asked`, and errors as sentences."""

    @wraps(command)
    @sentences
    def wrapped(**given: Any) -> None:  # noqa: ANN401 - whatever its options are
        asked = {each.name: given.pop(each.name) for each in fields(EntryOptions)}
        command(asked=EntryOptions(**asked), **given)

    decorated: Callable[..., None] = wrapped
    for option in reversed(_OPTIONS):
        decorated = option(decorated)
    return decorated


@dataclass(frozen=True, slots=True, kw_only=True)
class Entering:
    """Who enters something in a batch, when, and when that happened."""

    at_us: int
    happened_at_us: int
    by: str
    note: str = ""

    @classmethod
    def of(cls, now: HouseTime, asked: EntryOptions) -> "Entering":
        """Return it for the options of a command."""
        happened_at_us = now.at_us if asked.happened is None else at(asked.happened, now)
        return cls(at_us=now.at_us, happened_at_us=happened_at_us, by=asked.by, note=asked.note)

    def entry(self, batch: str, vat: str, content: C) -> BatchEntry[C]:
        """Return an entry with this content."""
        return BatchEntry(
            entry=new_entry_id(),
            batch=batch,
            vat=vat,
            at_us=self.at_us,
            happened_at_us=self.happened_at_us,
            by=self.by,
            note=self.note,
            content=content,
        )

    def command(self, **values: Any) -> Command:  # noqa: ANN401 - the fields of a command
        """Return a command of the same person."""
        return Command(id=0, at_us=self.at_us, by=self.by, **values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """Where somebody enters something: the store, what time it is, and who asks."""

    config: Config
    store: Store
    now: HouseTime
    asked: EntryOptions

    @property
    def who(self) -> Entering:
        """Return who enters, and when."""
        return Entering.of(self.now, self.asked)

    def put(
        self,
        batch: BatchRecord,
        entries: tuple[AnyEntry, ...],
        commands: tuple[Command, ...] = (),
        *,
        is_always_heard: bool = False,
    ) -> None:
        """Store entries and the commands by which the watch hears of the first; print what became of them.

        What is backdated is no news to the watch, unless it `is_always_heard`.
        """
        is_news = is_always_heard or not entries[0].is_backdated
        vat = watched_vat(self.config, batch) if commands and is_news else None
        self.tell(batch, enter(self.config, self.store, vat, entries, commands, wait_s=self.asked.wait_s))

    def tell(self, batch: BatchRecord, entered: "Entered") -> None:
        """Print what became of entries."""
        print_entered(self.config, batch, entered, self.now.clock, as_json=self.asked.as_json)


@contextmanager
def desk(asked: EntryOptions, config: Config | None = None) -> Iterator[Desk]:
    """Open the store for entering."""
    config = load_config(asked.config_path) if config is None else config
    with Store.open(config.store_url, simulated=config.simulated, busy_s=BUSY_S) as store:
        now = HouseTime(LocalTime.of(config.people), watch_now_us(config, store))
        yield Desk(config=config, store=store, now=now, asked=asked)


def watched_vat(config: Config, batch: BatchRecord) -> VatConfig | None:
    """Return the vat whose watch hears of entries in this batch; None: it is over, or nobody watches that vat."""
    vat = next((vat for vat in config.vats if vat.id == batch.vat), None)
    return None if batch.end is not None else vat


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """What was entered, and what the watch said to it."""

    entries: tuple[AnyEntry, ...]
    asked: tuple[PendingRequest, ...] = ()
    remarks: tuple[str, ...] = ()


def enter(
    config: Config,
    store: Store,
    vat: VatConfig | None,
    entries: tuple[AnyEntry, ...],
    commands: tuple[Command, ...] = (),
    *,
    wait_s: float | None,
) -> Entered:
    """Store entries, and the commands by which the watch hears of the first of them; wait for its answers.

    Raises RefusedError for what the record or the daemon would refuse as things stand.
    """
    heard = commands if vat is not None else ()
    if vat is not None:
        _check(store, vat, heard)
    with store.begin() as work:
        numbers = [work.add_command(one, entries[: not place]) for place, one in enumerate(heard)]
        stored = tuple(work.add_batch_entry(each) for each in entries)
        work.commit()
    if vat is None or not numbers:
        return Entered(entries=stored)
    return Entered(entries=stored, asked=tuple(await_answers(config, store, numbers, probe=vat.probe, wait_s=wait_s)))


def _check(store: Store, vat: VatConfig, commands: tuple[Command, ...]) -> None:
    carry = queries.watches(store).get(vat.id, Carry(probe=vat.probe))
    for command in commands:
        figures.check(command)
        requests.apply(vat, carry.alarms, command, seq=0, now=Now(at_us=command.at_us, elapsed_us=0))


def summary(content: BatchContent, clock: LocalTime) -> str:
    """Say what an entry holds in one line."""
    return "; ".join(said_fields(content, clock))


def said_fields(content: BatchContent, clock: LocalTime) -> Iterator[str]:
    """Yield each field that somebody filled, with its label and unit."""
    for name, field in labels(content).items():
        value, unit = getattr(content, name), field.unit
        if value in (None, ""):
            continue
        shown = clock.shown(value) if unit == "us" else f"{value:g}" if isinstance(value, float) else str(value)
        yield f"{field.words}: {shown}{f' {unit}' if unit not in ('us', 'pH', '') else ''}"


def print_entered(config: Config, batch: BatchRecord, entered: Entered, clock: LocalTime, *, as_json: bool) -> None:
    """Print what was entered and what the watch said to it; exit 1 if it refused."""
    if as_json:
        numbers = [each.id for each in entered.entries]
        print_json(
            {
                "simulated": config.simulated,
                "batch": batch.id,
                "vat": batch.vat,
                "entries": numbers,
                "asked": list(entered.asked),
                "remarks": entered.remarks,
            }
        )
    else:
        print_simulated(simulated=config.simulated)
        for each in entered.entries:
            late = f", which happened at {clock.shown(each.happened_at_us)}" if each.is_backdated else ""
            click.echo(folded(f"Entry {each.id} in batch {batch.id} of {batch.vat}: {each.kind}{late}."))
        for text in (*entered.remarks, *(f"The watch: {outcome(one)}." for one in entered.asked)):
            click.echo(folded(text))
    exit_refused([*entered.asked])


def refuse_empty(content: BatchContent) -> None:
    """Raise RefusedError for an entry in which nothing is said."""
    if not [*filled_fields(content)]:
        raise RefusedError("nothing was said: give at least one of the options (--help lists them)")
