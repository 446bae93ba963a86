"""The CSV of the log."""

import csv
import io
from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from logger.report import csv_file
from logger.report.beliefs import EvidenceIndex
from logger.report.local_time import LocalTime
from logger.store.history import RecordSpan
from logger.structs import replace
from tests.store.factories import measurements

PARIS = LocalTime(ZoneInfo("Europe/Paris"))
SPAN = RecordSpan(vat="marrow", probe="marrow-probe", first=1, last=30)


def text(*, chunk: int, beyond: int = 0, notes: Sequence[str] = ()) -> str:
    """Return the CSV of 30 records that come in pieces, with some records past the end of the span."""
    rows = measurements(1, 30 + beyond)
    stream = io.StringIO()
    pieces = (rows[start : start + chunk] for start in range(0, len(rows), chunk))
    none = EvidenceIndex.of([], [])
    csv_file.write(stream, [(SPAN, pieces)], clock=PARIS, evidence=none, simulated=False, notes=notes)
    return stream.getvalue()


@pytest.mark.parametrize("chunk", [1, 2, 7, 30])
@pytest.mark.parametrize("beyond", [0, 1])
def test_the_file_is_the_same_however_its_records_come(chunk: int, beyond: int) -> None:
    assert text(chunk=chunk, beyond=beyond) == text(chunk=1000, beyond=beyond)


def test_a_record_past_the_end_only_tells_of_a_spike_in_the_last() -> None:
    alone, *rest = [text(chunk=8, beyond=beyond).splitlines() for beyond in (0, 1)]
    assert [alone[:-1]] == [lines[:-1] for lines in rest]
    names = next(line for line in alone if not line.startswith("#")).split(",")
    spikes = [lines[-1].split(",")[names.index("spike")] for lines in (alone, *rest)]
    assert spikes == ["", "not-evaluated"]


def test_a_column_has_a_meaning_and_every_line_has_every_column() -> None:
    lines = text(chunk=8).splitlines()
    assert lines[0].split(",") == list(csv_file.COLUMNS)
    assert {len(cells) for cells in csv.reader(lines)} == {len(csv_file.COLUMNS)}
    assert len(lines) == 31


def test_the_notes_change_no_line_of_the_table() -> None:
    alone, noted = text(chunk=8).splitlines(), text(chunk=8, notes=["Log."]).splitlines()
    assert [line for line in noted if not line.startswith("#")] == alone
    assert noted[0] == "# Log."


def test_pandas_reads_it_as_it_stands() -> None:
    read = pd.read_csv(io.StringIO(text(chunk=8)))
    rows = measurements(1, 30)
    at = pd.to_datetime(read["time"])
    assert (at.astype("int64") // {"ns": 1000, "us": 1}[at.dt.unit] == rows.at_us).all()
    assert (pd.to_datetime(read["local_time"], utc=True) == at).all()
    assert read["local_time"].str.endswith("+02:00").all()  # 2026-09-21, summer time in Paris
    assert read["ph"].isna().tolist() == [seq % 10 == 0 for seq in rows.seq]
    assert read["potential_mv"].sub(rows.potential_mv).abs().max() <= 0.000_05
    assert {"potential_mv", "temperature_c", "ph", "u_ph"} <= {*read.select_dtypes("float64")}


def test_a_number_has_no_digits_that_only_the_computer_made() -> None:
    # 0.1086 V is 108.60000000000001 mV where numbers are binary (IEEE 754).
    rows = replace(measurements(1, 1), potential_mv=np.array([0.1086 * 1000.0]))
    stream = io.StringIO()
    csv_file.write(stream, [(SPAN, [rows])], clock=PARIS, evidence=EvidenceIndex.of([], []), simulated=False)
    (line,) = csv.DictReader(io.StringIO(stream.getvalue()))
    assert repr(0.1086 * 1000.0) == "108.60000000000001"
    assert line["potential_mv"] == "108.6"
