"""Write the log as comma-separated values.

Law: one line a record, in record order, below one line of column names, which any spreadsheet reads; what is not known
is an empty field, never a number. Simulated records say so on every line. Memory does not grow with the length of the
log. On request lines that begin with # stand before the names and say what each column is.

Values are rounded to what they can mean: raw ones to 0.0001 mV and 0.0001 C, a hundredth of what the finest instrument
resolves, for 108.60000000000001 is an artefact of the computer's numbers. What must come back to the bit is exported as
a recording (`recording.py`), which keeps every digit and which `replay` reads; no program of ours reads the CSV.
"""

import csv
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from itertools import chain
from typing import TextIO

import numpy as np

from logger.model import Belief, Calibration, Floats, Measurements, Quality, Reason
from logger.mqtt.payloads import COVERAGE_FACTOR, quality_word
from logger.report.beliefs import EvidenceIndex
from logger.report.corrected import Corrected
from logger.report.local_time import LocalTime
from logger.report.words import moment, names_of_tests
from logger.store.history import RecordSpan
from logger.units import SECOND_US

RAW_DECIMALS = 4
_FIELDS = {field.name: field for field in fields(Measurements)}
_CSV = {name: field.metadata["csv"] for name, field in _FIELDS.items()}
COLUMNS = {
    "time": _CSV["at_us"],
    "local_time": "the same moment in the time zone of [people], with its offset from UTC",
    "vat": "id of the vat",
    "probe": "id of the probe",
    "record": _CSV["seq"],
    "elapsed_s": _CSV["elapsed_us"],
    "potential_mv": _CSV["potential_mv"],
    "temperature_c": _CSV["temperature_c"],
    "ph": _CSV["ph"],
    "u_ph": _CSV["u"],
    "expanded_uncertainty_ph": f"U = {COVERAGE_FACTOR} u_ph (k = {COVERAGE_FACTOR}, about 95 %), pH",
    "quality": _CSV["quality"],
    "spike": _CSV["previous_spike"],
    "tests": _CSV["tests"],
    "calibration": _CSV["calibration"],
    "reason": _CSV["reason"],
    "reference_ph": _CSV["reference_ph"],
    "u_reference": _CSV["reference_u"],
    "belief": _CSV["belief"],
    "verdict": "why, in a sentence",
    "simulated": "true or false",
}
"""What each column holds, in the order of the columns; columns of further fields of a record follow."""
_RENAMED = ("at_us", "seq", "elapsed_us", "u", "previous_spike", "reference_u")
MORE = [name for name, text in _CSV.items() if text and name not in COLUMNS and name not in _RENAMED]
COLUMNS |= {name: _CSV[name] for name in MORE}
CORRECTED_COLUMNS = {
    "ph_corrected": "pH after the correction in force for the record; ph stays as it was published",
    "u_corrected": "standard uncertainty of ph_corrected (k = 1), pH",
    "correction": "id of the correction applied",
}
"""More columns, where they were asked for."""


def write(
    stream: TextIO,
    spans: Iterable[tuple[RecordSpan, Iterable[Measurements]]],
    *,
    clock: LocalTime,
    evidence: EvidenceIndex,
    simulated: bool,
    notes: Sequence[str] = (),
    correct: Callable[[RecordSpan, Measurements], Corrected] | None = None,
) -> None:
    """Write the records of each span; `clock`: the local time; `evidence`: what records name.

    `notes`: sentences for the head of the file, which then explains its columns too; none: the names of the columns
    stand alone. `correct`: what stands beside the records in the columns of corrected values; None: without these
    columns. The pieces of a span may go one record past its end: that record only tells whether the last was a spike.
    """
    columns = COLUMNS if correct is None else {**COLUMNS, **CORRECTED_COLUMNS}
    if notes:
        stream.writelines(f"# {line}\n" for line in _head(columns, notes, evidence))
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for span, pieces in spans:
        for rows, spikes in judged(pieces):
            kept = rows.seq <= span.last
            part = slice(0, int(np.count_nonzero(kept)))
            lines = _lines(rows[part], spikes[part], span, evidence, clock=clock, simulated=simulated)
            writer.writerows(lines if correct is None else _beside(lines, correct(span, rows[part])))


def judged(pieces: Iterable[Measurements]) -> Iterator[tuple[Measurements, list[str]]]:
    """Yield the rows with the verdict of the spike test on each, which stands in the row after it."""
    held: Measurements | None = None
    for piece in pieces:
        rows = piece if held is None else held.then(piece)
        yield rows[:-1], [quality_word(code) for code in rows.previous_spike[1:].tolist()]
        held = rows[-1:]
    if held is not None:
        yield held, [""]


def _head(columns: Mapping[str, str], notes: Sequence[str], evidence: EvidenceIndex) -> Iterator[str]:
    columns_text = [f"  {name}: {meaning}" for name, meaning in columns.items()]
    return chain(
        notes, map(_calibration, evidence.calibrations.values()), ["Columns (an empty field: not known):"], columns_text
    )


def _calibration(one: Calibration) -> str:
    return (
        f"Calibration {one.id} of {one.probe}, made {moment(one.at_us)}: slope {one.slope:.1%} of Nernst's, "
        f"offset {one.offset_mv:+.2f} mV at pH 7, buffers pH {one.low_ph:g} to {one.high_ph:g}"
    )


def _lines(
    rows: Measurements,
    spikes: list[str],
    span: RecordSpan,
    evidence: EvidenceIndex,
    *,
    clock: LocalTime,
    simulated: bool,
) -> Iterable[tuple[object, ...]]:
    tests = {code: " ".join(names_of_tests(code)) for code in np.unique(rows.tests).tolist()}
    reasons = {code: "" if code == Reason.NONE else Reason(code).words for code in np.unique(rows.reason).tolist()}
    qualities = {code.value: quality_word(code) for code in Quality}
    size = len(rows)
    return zip(
        np.datetime_as_string(rows.at_us.astype("datetime64[us]"), timezone="UTC").tolist(),
        map(clock.iso, rows.at_us.tolist()),
        [span.vat] * size,
        [span.probe] * size,
        rows.seq.tolist(),
        (f"{us / SECOND_US:.6f}" for us in rows.elapsed_us.tolist()),
        _raw(rows.potential_mv),
        _raw(rows.temperature_c),
        _rounded(rows.ph),
        _rounded(rows.u),
        _rounded(COVERAGE_FACTOR * rows.u),
        map(qualities.__getitem__, rows.quality.tolist()),
        spikes,
        map(tests.__getitem__, rows.tests.tolist()),
        (number or "" for number in rows.calibration.tolist()),
        map(reasons.__getitem__, rows.reason.tolist()),
        _rounded(rows.reference_ph),
        _rounded(rows.reference_u),
        (Belief(code).word for code in rows.belief.tolist()),
        (evidence.sentence(rows, row) for row in range(size)),
        ["true" if simulated else "false"] * size,
        *(_plain(rows, name) for name in MORE),
        strict=True,
    )


def _plain(rows: Measurements, name: str) -> Iterator[str]:
    """Return the column of a further field."""
    column = getattr(rows, name)
    return _raw(column) if _FIELDS[name].type is Floats else map(str, column.tolist())


def _beside(lines: Iterable[tuple[object, ...]], corrected: Corrected) -> Iterator[tuple[object, ...]]:
    numbers = (number or "" for number in corrected.correction.tolist())
    for line, *more in zip(lines, _rounded(corrected.ph), _rounded(corrected.u), numbers, strict=True):
        yield (*line, *more)


def _raw(column: Floats) -> Iterator[str]:
    """Return what came, without the digits that only the computer's numbers have; no zeros are added."""
    rounded = np.round(column, RAW_DECIMALS).tolist()
    return ("" if value != value else repr(value) for value in rounded)  # noqa: PLR0124 - NaN, in a hot path


def _rounded(column: Floats) -> Iterator[str]:
    return ("" if value != value else f"{value:.4f}" for value in column.tolist())  # noqa: PLR0124 - as above
