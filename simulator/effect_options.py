"""Define the options --fault and --disturbance, which add named faults and disturbances to any run."""

from collections.abc import Callable
from typing import Any, TypeVar

import click

from simulator import named_faults
from simulator.effects import Occurrence

F = TypeVar("F", bound=Callable[..., object])


def effect_options(command: F) -> F:
    """Give a command both options; it gets them as `faults` and `vat_disturbances`."""
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
        "vat_disturbances",
        callback=_read(named_faults.disturbance),
        multiple=True,
        metavar=named_faults.FORM,
        help="What a healthy vat and instrument must bear, such as a refrigerator; the same list.",
    )
    return add(add_disturbance(command))


def _read(parse: Callable[[str], Occurrence]) -> Callable[..., tuple[Occurrence, ...]]:
    def callback(_ctx: click.Context, _param: click.Parameter, value: tuple[str, ...]) -> tuple[Any, ...]:
        try:
            return tuple(parse(text) for text in value)
        except ValueError as error:
            raise click.BadParameter(str(error)) from error

    return callback
