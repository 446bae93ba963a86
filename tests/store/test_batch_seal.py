"""The canonical form of a batch: its bytes are written down here, so that no library changes them unnoticed."""

import json
import math
import struct
from pathlib import Path

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logger.errors import RefusedError
from logger.model import BatchEntry, Command, CommandKind, Mark, batch_id
from logger.model.batch import BatchStart, Remark
from logger.store import Store, batch_seal, batches
from logger.store.batch_seal import SECTIONS, SealHead, read_head, seal
from tests.store.factories import START_US, calibration, entry, measurements, outcome

BATCH = batch_id("marrow", START_US)


def filled(path: Path, first: int, last: int, *, starts: bool = True) -> Store:
    """Return a store with records and the entries of a batch."""
    store = Store.open(f"sqlite:///{path}", simulated=False, migrate=True)
    with store.begin() as work:
        run = work.start_run(at_us=START_US, elapsed_us=0, version="0.1.0", config_hash="")
        line = work.add_calibration(calibration())
        if starts:
            started = made(BatchStart(profile="wild"), 0)
            work.add_command(
                Command(id=0, at_us=START_US, kind=CommandKind.MARK, vat="marrow", note=Mark.STARTED.value), [started]
            )
            work.add_batch_entry(made(Remark(text='"quoted", Müller \\ 1'), 1))
        rows = measurements(first, last - first + 1, calibration=line.id)
        work.append(outcome(rows, entries=[entry(first)] if starts else []), run=run)
        work.commit()
    return store


def made(content: BatchStart | Remark, second: int) -> BatchEntry[BatchStart | Remark]:
    at_us = START_US + second * 1_000_000
    return BatchEntry(entry=f"e{second}", batch=BATCH, vat="marrow", at_us=at_us, happened_at_us=at_us, content=content)


def head(stores: list[Store]) -> SealHead:
    record = batches.record(stores[0], BATCH)
    assert record is not None
    spans = [batches.spans_of(store, record) for store in stores]
    until_us = START_US + 1000 * 10_000_000
    return batch_seal.head_of(stores, batch=BATCH, vat="marrow", since_us=START_US, until_us=until_us,
                              simulated=False, spans=spans)  # fmt: skip


def written(value: float) -> str:
    """Return a number as form 1 says, from Python's shortest digits: an implementation apart from the library's."""
    sign, digits, exponent = struct.unpack("<q", struct.pack("<d", value))[0] < 0, *_shortest(abs(value))
    point = len(digits) + exponent
    if value == 0 or 1e-5 <= abs(value) < 1e16:
        whole = digits[:point].ljust(point, "0") if point > 0 else "0"
        part = ("0" * -point + digits if point <= 0 else digits[point:]) or "0"
        text = f"{whole}.{part}"
    else:
        text = f"{digits[0]}{'.' + digits[1:] if digits[1:] else ''}e{point - 1}"
    return f"{'-' if sign else ''}{text}"


def _shortest(value: float) -> tuple[str, int]:
    mantissa, _, exponent = repr(value).partition("e")
    whole, _, part = mantissa.partition(".")
    digits = (whole + part).lstrip("0")
    shift = int(exponent or 0) - len(part)
    kept = digits.rstrip("0") or "0"
    return kept, shift + len(digits) - len(kept) if digits else 0


@settings(max_examples=40)
@given(st.floats(allow_nan=False, allow_infinity=False))
@example(5.0)
@example(-0.0)
@example(9.9e-06)
@example(1e-05)
@example(9999999999999998.0)
@example(1e16)
@example(1.5e300)
@example(0.1 + 0.2)
def test_numbers_are_written_as_the_form_says(value: float) -> None:
    assert msgspec.json.encode(value).decode() == written(value)
    assert math.copysign(1.0, float(written(value))) == math.copysign(1.0, value)
    assert float(written(value)) == value


def test_the_bytes_of_a_small_batch_are_these(tmp_path: Path) -> None:
    with filled(tmp_path / "log.sqlite", 1, 3) as store:
        stream = (tmp_path / "sealed").open("wb")
        with stream:
            found = seal([store], head([store]), stream)
        lines = (tmp_path / "sealed").read_text().splitlines()
    assert lines[0] == (
        f'{{"form":"vatvigil batch record","version":1,"batch":"{BATCH}","vat":"marrow","simulated":false,'
        '"since_us":1790000000000000,"until_us":1790010000000000,"parts":[{"through":{"calibration":1,"care":0,"check":0,'
        '"correction":0,"entry":2,"journal":1,"run":1},"records":{"marrow-probe":[1,3]}}]}'
    )
    started = f'["entry","e0","{BATCH}","marrow","start",1790000000000000,1790000000000000,"","",'
    noted = f'["entry","e1","{BATCH}","marrow","note",1790000001000000,1790000001000000,"","",'
    assert lines[1] == started + '"{\\"profile\\":\\"wild\\"}","",false]'
    assert lines[2] == noted + '"{\\"text\\":\\"\\\\\\"quoted\\\\\\", Müller \\\\\\\\ 1\\"}","",false]'
    made_of = measurements(1, 1)
    millivolts, celsius, ph = (float(column[0]) for column in (made_of.potential_mv, made_of.temperature_c, made_of.ph))
    assert lines[-3] == (
        f'["record","marrow-probe",1,1790000010000000,10000000,{millivolts!r},{celsius!r},0,4.7,0.06,{ph!r},0.05,1,0,2,'
        '1,0,1790000000000000,null,null,"marrow",1]'
    )
    assert [name for name, (count, _) in found.sections.items() if count] == [
        "entry", "run", "calibration", "journal", "record"
    ]  # fmt: skip
    assert all(json.loads(line) for line in lines)


def test_every_stored_column_of_a_sealed_table_is_sealed_or_a_number_of_a_row() -> None:
    for table, names in SECTIONS.values():
        assert set(table.c.keys()) - set(names) <= {"id", "command"}, table.name


def test_a_batch_over_two_stores_is_sealed_in_both(tmp_path: Path) -> None:
    with filled(tmp_path / "a.sqlite", 1, 50) as old, filled(tmp_path / "b.sqlite", 51, 90, starts=False) as new:
        both = head([old, new])
        first = seal([old, new], both)
        assert first.sections["record"][0] == 90
        assert seal([old, new], read_head(both.line)) == first
        with pytest.raises(RefusedError, match="sealed over 2 stores, and 1 are given"):
            seal([old], both)
        assert [batch_seal.place_of(store, both) for store in (new, old)] == [1, 0]


def test_what_is_added_later_is_outside(tmp_path: Path) -> None:
    with filled(tmp_path / "log.sqlite", 1, 50) as store:
        before = head([store])
        digest = seal([store], before)
        with store.begin() as work:
            work.add_batch_entry(made(Remark(text="later"), 2))
            work.add_calibration(calibration())
            work.append(outcome(measurements(51, 50), entries=[entry(51)]), run=1)
            work.commit()
        assert seal([store], before) == digest
        assert seal([store], head([store])) != digest


@pytest.mark.parametrize("line", ["", "{}", "[1]"])
def test_a_head_that_is_none_is_refused(line: str) -> None:
    with pytest.raises(RefusedError, match="cannot be read"):
        read_head(line)


def test_a_newer_form_is_refused() -> None:
    newer = SealHead(version=2, batch="b", vat="v", simulated=False, since_us=0, until_us=1, parts=())
    with pytest.raises(RefusedError, match="sealed by form 2"):
        read_head(newer.line)
