"""Define the options --fault and --disturbance, which add named faults and disturbances to any run."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, TypeVar

import click

from simulator import named_faults
from simulator.effects import Occurrence
from simulator.runs import Run

F = TypeVar("F", bound=Callable[..., object])


def effect_options(command: F) -> F:
    """Give a command both options; it gets them as `faults` and `disturbances`."""
    add = click.option(
        "--fault",
        "faults",
        callback=_read(named_faults.fault),
        multiple=True,
        metavar=named_faults.FORM,
        help="Fault of probe or instrument, from run hour FROM on; several times: several. "
        "List them with: python -m simulator faults",
    )
    add_disturbance = click.option(
        "--disturbance",
        "disturbances",
        callback=_read(named_faults.disturbance),
        multiple=True,
        metavar=named_faults.FORM,
        help="What a healthy vat and instrument must bear, such as a refrigerator; the same list.",
    )
    return add(add_disturbance(command))


def with_effects(run: Run, faults: Sequence[Occurrence], disturbances: Sequence[Occurrence]) -> Run:
    """Return the run with these added. Raises click.UsageError if it ends before one of them begins."""
    for one in (*faults, *disturbances):
        if one.start_h >= run.hours:
            raise click.UsageError(
                f"{one.effect.name} begins at {one.start_h:g} h, and the run ends at {run.hours:g} h: "
                f"write {one.effect.name}@HOUR with an earlier hour, or longer --hours"
            )
    return replace(run, faults=tuple(faults), disturbances=tuple(disturbances))


def _read(parse: Callable[[str], Occurrence]) -> Callable[..., tuple[Occurrence, ...]]:
    def callback(_ctx: click.Context, _param: click.Parameter, value: tuple[str, ...]) -> tuple[Any, ...]:
        try:
            return tuple(parse(text) for text in value)
        except ValueError as error:
            raise click.BadParameter(str(error)) from error

    return callback
