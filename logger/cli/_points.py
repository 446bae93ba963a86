"""Read calibration points from a TOML file or from the command line.

    made_at = 2026-11-24T08:00:00Z   when the probe stood in the buffers
    by = "tova"                      who held it (may be left out)
    simulated = true                 only for a simulator's figures
    [[point]]                        one table for each buffer
    buffer = "nist-phthalate"        its id on the shelf; or in its place, from a table of your own,
    buffer_ph = 4.005                the buffer's pH at its temperature
    potential_mv = 170.9
    temperature_c = 21.3
    lot = "A-118"                    these three may be left out: the bottle's lot [that of the shelf],
    noise_mv = 0.1                   the standard deviation of the readings,
    settle_s = 42                    and how long they took to settle

Law: everything wrong with a file is told at once, each with the key, the reason and what to do.
"""

import math
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from logger.cli._times import microseconds
from logger.errors import RefusedError
from logger.measure.buffers import BUFFERS, Buffer, by_id, ph_at
from logger.model import CalibrationPoint

Decorated = TypeVar("Decorated", bound=Callable[..., Any])
_KEYS = ("made_at", "by", "simulated", "point")
_VALUES = ("potential_mv", "temperature_c")
_MORE = ("noise_mv", "settle_s")
_TEXTS = ("buffer", "lot")
_POINT_KEYS = ("buffer_ph", *_VALUES, *_MORE, *_TEXTS)


@dataclass(frozen=True, slots=True, kw_only=True)
class PointInput:
    """The points, and what the input states about them; None: not stated."""

    points: tuple[CalibrationPoint, ...]
    made_at_us: int | None = None
    by: str = ""
    simulated: bool = False


def point_option(*names: str, **settings: Any) -> Callable[[Decorated], Decorated]:  # noqa: ANN401 - click's own
    """Return an option that takes `PH:MV:C`, one buffer each time it is given."""
    return click.option(*names, callback=_points, metavar="PH:MV:C", multiple=True, **settings)


def _points(_ctx: click.Context, _param: click.Parameter, value: tuple[str, ...]) -> tuple[CalibrationPoint, ...]:
    return tuple(map(_point, value))


def _point(text: str) -> CalibrationPoint:
    try:
        ph, mv, c = (float(part) for part in text.split(":"))
    except ValueError:
        raise click.BadParameter(f"{text!r} is not pH:mV:Celsius, such as 4.005:170.9:21.3.") from None
    return CalibrationPoint(buffer_ph=ph, potential_mv=mv, temperature_c=c)


def read(path: Path, shelf: Mapping[str, Buffer] = BUFFERS) -> PointInput:
    """Return what a file says. Raises RefusedError with a line for everything that is wrong."""
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RefusedError(f"{path}: it cannot be read ({error.strerror}): check the path and its mode") from error
    except (ValueError, RecursionError) as error:
        raise RefusedError(f"{path}: this is no TOML ({error}): see `vatvigil calibration add --help`") from error
    wrong = [f"{path}: {line}" for line in _problems(document)]
    if wrong:
        raise RefusedError("\n".join(wrong))
    made_at = document.get("made_at")
    return PointInput(
        points=tuple(_from_table(table, shelf, where=f"{path}: point {n}: ") for n, table in _numbered(document)),
        made_at_us=None if made_at is None else microseconds(made_at),
        by=document.get("by", ""),
        simulated=document.get("simulated", False),
    )


def _from_table(table: Mapping[str, Any], shelf: Mapping[str, Buffer], *, where: str) -> CalibrationPoint:
    mv, c = (float(table[name]) for name in _VALUES)
    more: dict[str, Any] = {name: float(table[name]) for name in _MORE if name in table}
    if "lot" in table:
        more["lot"] = table["lot"]
    if "buffer" not in table:
        return CalibrationPoint(buffer_ph=float(table["buffer_ph"]), potential_mv=mv, temperature_c=c, **more)
    try:
        buffer = by_id(table["buffer"], shelf)
        ph = ph_at(buffer, c)
    except RefusedError as refused:
        raise RefusedError(f"{where}{refused}") from refused
    buffer_facts = {"buffer": buffer.id, "u_ph": buffer.u_ph, "lot": buffer.lot, **more}
    return CalibrationPoint(buffer_ph=ph, potential_mv=mv, temperature_c=c, **buffer_facts)


def _numbered(document: Mapping[str, Any]) -> Iterator[tuple[int, Mapping[str, Any]]]:
    return enumerate(document["point"], start=1)


def _problems(document: Mapping[str, Any]) -> Iterator[str]:
    yield from _unknown("", document, _KEYS)
    made_at = document.get("made_at")
    if made_at is not None and not (isinstance(made_at, datetime) and made_at.tzinfo):
        yield "made_at: a time with its offset from UTC is wanted; write 2026-11-24T08:00:00Z, without quotes"
    if not isinstance(document.get("by", ""), str):
        yield 'by: a text is wanted; write by = "name"'
    if not isinstance(document.get("simulated", False), bool):
        yield "simulated: true or false is wanted, without quotes"
    points = document.get("point", [])
    if not isinstance(points, list) or not points or not all(isinstance(point, dict) for point in points):
        yield "point: tables are wanted, one for each buffer; write [[point]] above the three values of each"
        return
    for number, point in _numbered(document):
        yield from (f"point {number}: {line}" for line in _point_problems(point))


def _point_problems(point: Mapping[str, Any]) -> Iterator[str]:
    yield from _unknown("", point, _POINT_KEYS)
    if "buffer" in point and "buffer_ph" in point:
        yield "buffer and buffer_ph: one of them is wanted; keep buffer if its table is on the shelf"
    needed = _VALUES if "buffer" in point else ("buffer_ph", *_VALUES)
    for name in (*needed, *(name for name in _MORE if name in point)):
        if not _is_number(point.get(name)):
            trouble = "it is missing" if name not in point else f"{point[name]!r} is no number"
            yield f"{name}: {trouble}; write {name} = 25.0, say, without quotes"
    for name in _TEXTS:
        if not isinstance(point.get(name, ""), str):
            yield f'{name}: a text is wanted; write {name} = "..."'


def _is_number(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _unknown(where: str, table: Mapping[str, Any], keys: tuple[str, ...]) -> Iterator[str]:
    from logger.settings.problems import suggestion

    for key in table:
        if key not in keys:
            yield f"{where}{key}: there is no such key; {suggestion(key, keys)}"
