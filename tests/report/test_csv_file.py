"""The CSV of the log."""

import csv
import io

import pytest

from logger.report import csv_file
from logger.report.beliefs import EvidenceIndex
from logger.store.history import RecordSpan
from tests.store.factories import measurements

SPAN = RecordSpan(vat="marrow", probe="marrow-probe", first=1, last=30)


def text(*, chunk: int, beyond: int = 0) -> str:
    """Return the CSV of 30 records that come in pieces, with some records past the end of the span."""
    rows = measurements(1, 30 + beyond)
    stream = io.StringIO()
    pieces = (rows[start : start + chunk] for start in range(0, len(rows), chunk))
    csv_file.write(stream, [(SPAN, pieces)], notes=["Log."], evidence=EvidenceIndex.of([], []), simulated=False)
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
    lines = [line for line in text(chunk=8).splitlines() if not line.startswith("#")]
    assert lines[0].split(",") == list(csv_file.COLUMNS)
    assert {len(cells) for cells in csv.reader(lines)} == {len(csv_file.COLUMNS)}
    assert len(lines) == 31
