"""Read and write recordings: the indications of one probe and what was asked of its watch, as JSON Lines (UTF-8).

    {"recording": 1, "simulated": true, "vat": "marrow", "probe": "p1", "poll_s": 10.0, "run": "", "seed": null,
     "faults": [{"fault": "knocked", "from_us": 0, "until_us": null}]}         only where the truth is known
    {"command": {...}}                    fields of `model.Command`; applied before record number `seq`
    {"rows": {"seq": [...], "at_us": [...], "elapsed_us": [...], "potential_mv": [...], "temperature_c": [...],
              "reason": [...]}}           some hundred records a line; null where there is no value
                                          besides "reference_ph", "reference_u" where the vat has a second probe

Numbers may be missing: a store that took nothing for days keeps no more than it must. That is a gap, as the times say.

Law: what was written is read back to the bit. A line that is not of this form is an error that names the line; nothing
after it is used. Whoever wrote it: no line costs more than some MB, and no name or number gets in that a screen, a
calendar or an instrument could not hold.
"""

from collections.abc import Iterable, Iterator
from typing import BinaryIO, TypeVar

import msgspec
import numpy as np

from logger.errors import RefusedError
from logger.model import Block, Command, Floats, Reason, figures, plain_text
from logger.model.figures import AT_US

VERSION = 1
LONGEST_LINE = 4_000_000
"""Bytes; what vatvigil and the simulator write are some ten thousand."""
LONGEST_POLL_S = 86_400.0
MOST_MV = MOST_C = 1e6
"""No instrument indicates more (common practice, no source)."""
T = TypeVar("T")


class KnownFault(msgspec.Struct, frozen=True, kw_only=True):
    """What was wrong with probe, instrument or wire, in watch time; until None: to the end."""

    fault: str
    from_us: int
    until_us: int | None = None


class Header(msgspec.Struct, frozen=True, kw_only=True):
    """What a recording is of."""

    recording: int
    simulated: bool
    vat: str
    probe: str
    poll_s: float
    run: str = ""
    seed: int | None = None
    faults: tuple[KnownFault, ...] | msgspec.UnsetType = msgspec.UNSET
    """All of them; unset: nobody knows."""


class _Rows(msgspec.Struct, frozen=True, omit_defaults=True):
    seq: list[int]
    at_us: list[int]
    elapsed_us: list[int]
    potential_mv: list[float | None]
    temperature_c: list[float | None]
    reason: list[int]
    reference_ph: list[float | None] | None = None
    reference_u: list[float | None] | None = None


class _RecordingLine(msgspec.Struct, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    rows: _Rows | None = None
    command: Command | None = None


def write(stream: BinaryIO, header: Header, items: Iterable[Block | Command]) -> None:
    """Write a recording; the items in the order in which they fall."""
    stream.write(msgspec.json.encode(header) + b"\n")
    for item in items:
        line = _RecordingLine(command=item) if isinstance(item, Command) else _RecordingLine(rows=_rows(item))
        stream.write(msgspec.json.encode(line) + b"\n")


def read(stream: BinaryIO, *, name: str) -> tuple[Header, Iterator[Block | Command]]:
    """Return the header, and the items as they are read. Raises RefusedError naming the line that is wrong."""
    lines = enumerate(_bounded(stream, name=name), start=1)
    number, first = next(lines, (1, b""))
    header = _decoded(first, Header, name=name, number=number)
    if header.recording != VERSION:
        raise RefusedError(f"{name}: recording format {header.recording} is not known here, only {VERSION}")
    _check_header(header, name=name)
    return header, _items(lines, name=name)


def _bounded(stream: BinaryIO, *, name: str) -> Iterator[bytes]:
    number = 0
    while line := stream.readline(LONGEST_LINE + 1):
        number += 1
        if len(line) > LONGEST_LINE:
            raise _wrong(name, number, f"it is longer than {LONGEST_LINE / 1e6:.0f} MB")
        yield line


def _check_header(header: Header, *, name: str) -> None:
    known = header.faults if isinstance(header.faults, tuple) else ()
    for text in (header.vat, header.probe, header.run, *(fault.fault for fault in known)):
        if plain_text.hidden(text) or len(text) > figures.LONGEST_TEXT:
            shown, most = plain_text.shown(text, 40), figures.LONGEST_TEXT
            raise _wrong(name, 1, f"'{shown}' is no name: one line of plain text, at most {most} characters")
    if not 0.0 < header.poll_s <= LONGEST_POLL_S:
        raise _wrong(name, 1, f"poll_s must be above 0 and at most {LONGEST_POLL_S:.0f}, not {header.poll_s:g}")


def _items(lines: Iterable[tuple[int, bytes]], *, name: str) -> Iterator[Block | Command]:
    seq = elapsed_us = 0
    decoder = msgspec.json.Decoder(_RecordingLine)
    for number, text in lines:
        line = _decoded(text, _RecordingLine, name=name, number=number, decoder=decoder)
        if line.command is not None:
            yield line.command
        if line.rows is not None and line.rows.seq:
            block = _block(line.rows, name=name, number=number)
            if int(block.seq[0]) <= seq or int(block.elapsed_us[0]) < elapsed_us:
                raise _wrong(name, number, "its records do not follow those before it")
            seq, elapsed_us = int(block.seq[-1]), int(block.elapsed_us[-1])
            yield block


def _decoded(
    text: bytes, kind: type[T], *, name: str, number: int, decoder: msgspec.json.Decoder[T] | None = None
) -> T:
    try:
        return decoder.decode(text) if decoder else msgspec.json.decode(text, type=kind)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise _wrong(name, number, plain_text.shown(str(error), figures.LONGEST_TEXT)) from error
    except RecursionError:
        raise _wrong(name, number, "it is nested too deeply") from None


def _block(rows: _Rows, *, name: str, number: int) -> Block:
    try:
        none = [None] * len(rows.seq)
        compared = {field: getattr(rows, field) or none for field in ("reference_ph", "reference_u")}
        columns = {**{field: getattr(rows, field) for field in rows.__struct_fields__}, **compared}
        if len({len(column) for column in columns.values()}) != 1:
            raise _wrong(name, number, "its columns are of different lengths")
        block = Block(
            seq=np.array(rows.seq, dtype=np.int64),
            at_us=np.array(rows.at_us, dtype=np.int64),
            elapsed_us=np.array(rows.elapsed_us, dtype=np.int64),
            potential_mv=np.array(rows.potential_mv, dtype=np.float64),
            temperature_c=np.array(rows.temperature_c, dtype=np.float64),
            reason=np.array(rows.reason, dtype=np.int64),
            reference_ph=np.array(compared["reference_ph"], dtype=np.float64),
            reference_u=np.array(compared["reference_u"], dtype=np.float64),
        )
    except OverflowError as error:
        raise _wrong(name, number, "a whole number is out of range") from error
    _check(block, name=name, number=number)
    return block


def _check(block: Block, *, name: str, number: int) -> None:
    if np.any(np.diff(block.seq) < 1) or block.seq[0] < 1 or np.any(np.diff(block.elapsed_us) < 0):
        raise _wrong(name, number, "record numbers must rise from 1 on, and elapsed_us must not fall")
    if block.elapsed_us[0] < 0 or max(block.elapsed_us[-1], block.at_us.max()) > AT_US.high or block.at_us.min() < 0:
        raise _wrong(name, number, "at_us and elapsed_us must lie between 1970 and the year 9000")
    for column, most in ((block.potential_mv, MOST_MV), (block.temperature_c, MOST_C)):
        if not (np.isnan(column) | (np.abs(column) <= most)).all():
            raise _wrong(name, number, f"potentials (mV) and temperatures (C) must lie within {most:.0f}")
    if not np.isin(block.reason, list(Reason)).all():
        raise _wrong(name, number, f"reason must be one of {', '.join(str(int(r)) for r in Reason)}")
    if np.any((block.reason == Reason.NONE) == np.isnan(block.potential_mv)):
        raise _wrong(name, number, "a record has a potential, or else a reason why not; never both or neither")


def _wrong(name: str, number: int, why: str) -> RefusedError:
    hint = "The file may be cut short or not a recording (`vatvigil help files`)"
    return RefusedError(f"{name}, line {number}: {why}. {hint}")


def _rows(block: Block) -> _Rows:
    compared = ("reference_ph", "reference_u") if not np.isnan(block.reference_ph).all() else ()
    return _Rows(
        seq=block.seq.tolist(),
        at_us=block.at_us.tolist(),
        elapsed_us=block.elapsed_us.tolist(),
        potential_mv=_nullable(block.potential_mv),
        temperature_c=_nullable(block.temperature_c),
        reason=block.reason.tolist(),
        **{name: _nullable(getattr(block, name)) for name in compared},
    )


def _nullable(column: Floats) -> list[float | None]:
    return [None if np.isnan(value) else value for value in column.tolist()]
