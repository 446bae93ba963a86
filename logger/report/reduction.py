"""Reduce the records of a span to the curve that pictures draw.

Law: pure; every point is a record of the log, none is computed. A picture gets at most two points for each of its
`SLOTS` (equal parts of the span), the lowest and the highest, so no extreme is lost. Only believed readings are points;
where fewer than half of a slot's readings are believed the slot is not, with what most often spoke against it. No line
runs across a gap or a slot that is not believed. Memory does not grow with the span.

Lowest and highest are those of the morning summary: medians of ten minutes of watch time, believed when more than half
of their records are (`measure/windows.py`). After a mark or a calibration the summary leaves some records out of a
window that are in it here.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise

import numpy as np

from logger.alarm.words import of_test
from logger.measure import windows
from logger.model import LEADING, Belief, Floats, Ints, Measurements, Reason
from logger.report.curve import BeliefCounts, Curve, CurveFrame, CurveLine, CurvePoint, Stretch
from logger.units import SECOND_US

SLOTS = 240
"""Some 480 points a line: more than a terminal or a printed page can show."""
WINDOW_S = 600.0
_BELIEVED, _UNTOLD = 0, 1
_WORDS = (
    *("believed", "its pH cannot be told"),
    *(of_test(test) for test in LEADING),
    *(f"no reading, {reason.words}" for reason in Reason),
)
"""What is said of a record, by its code."""
_FIRST_TEST, _FIRST_REASON = 2, 2 + len(LEADING)


def reduce(frame: CurveFrame, pieces: Iterable[Measurements], *, slots: int = SLOTS) -> Curve:
    """Return the curve of the records of a span, which come in order and in pieces of any length."""
    kept = _Kept(slots=slots)
    for rows, whole in whole_windows(pieces):
        kept.take(frame, rows, whole)
    return kept.curve(frame)


def codes(rows: Measurements) -> Ints:
    """Return what is said of each record, as places in `_WORDS`: the same that its own sentence says."""
    found = np.full(len(rows), _UNTOLD, dtype=np.int64)
    for place, test in reversed([*enumerate(LEADING, _FIRST_TEST)]):
        found[(rows.tests & test) != 0] = place
    absent = (rows.reason != Reason.NONE) & ((rows.tests & windows.AWAY) == 0)
    found[absent] = _FIRST_REASON + rows.reason[absent]
    found[rows.belief == Belief.BELIEVED] = _BELIEVED
    return found


def whole_windows(pieces: Iterable[Measurements]) -> Iterator[tuple[Measurements, int]]:
    """Yield rows and how many of them belong to windows that are whole; the row after these only closes the last."""
    held: Measurements | None = None
    for piece in pieces:
        rows = piece if held is None else held.then(piece)
        window = rows.elapsed_us // round(WINDOW_S * SECOND_US)
        begins = int(np.searchsorted(window, window[-1]))
        if begins:
            yield rows[: begins + 1], begins
        held = rows[begins:]
    if held is not None:
        yield held, len(held)


def _no_points() -> tuple[Ints, Ints, Floats, Floats]:
    return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0), np.empty(0)


@dataclass(slots=True)
class _Extremes:
    """The lowest and the highest reading of each slot: slot, UTC, value, twice its u."""

    columns: tuple[Ints, Ints, Floats, Floats] = field(default_factory=_no_points)

    def take(self, slot: Ints, at_us: Ints, value: Floats, expanded_u: Floats) -> None:
        joined = [np.concatenate(pair) for pair in zip(self.columns, (slot, at_us, value, expanded_u), strict=True)]
        order = np.lexsort((joined[1], joined[2], joined[0]))
        slots = joined[0][order]
        ends = slots[1:] != slots[:-1]
        wanted = np.concatenate([[True], ends]) | np.concatenate([ends, [True]]) if len(order) else order
        slot, at_us, value, expanded_u = (column[order][wanted] for column in joined)
        self.columns = slot, at_us, value, expanded_u

    def points(self) -> list[CurvePoint]:
        """Return them in the order of time."""
        _, at_us, value, expanded_u = (column.tolist() for column in self.columns)
        return sorted(map(CurvePoint, at_us, value, expanded_u), key=lambda point: point.at_us)


@dataclass(slots=True, kw_only=True)
class _Kept:
    """What is kept of the records so far."""

    slots: int
    counts: Ints = field(init=False)
    """Records by slot and code."""
    ph: _Extremes = field(default_factory=_Extremes)
    temperature: _Extremes = field(default_factory=_Extremes)
    medians: list[CurvePoint] = field(default_factory=list)
    """The lowest and the highest."""
    newest: CurvePoint | None = None
    first_us: int | None = None
    """UTC of the first reading."""
    arrived: tuple[int, int] | None = None
    """Watch time and UTC of the newest reading."""
    gaps: list[Stretch] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Begin to count."""
        self.counts = np.zeros((self.slots, len(_WORDS)), dtype=np.int64)

    def take(self, frame: CurveFrame, rows: Measurements, whole: int) -> None:
        """Take the first `whole` rows in."""
        belief = windows.without_spikes(rows, rows.belief)
        self._take_medians(rows, belief)
        rows, belief = rows[:whole], belief[:whole]
        slot = np.clip(_slot(frame, rows.at_us, self.slots), 0, self.slots - 1)
        flat = np.bincount(slot * len(_WORDS) + codes(rows), minlength=self.counts.size)
        self.counts += flat.reshape(self.counts.shape)
        good = belief == Belief.BELIEVED
        self.ph.take(slot[good], rows.at_us[good], rows.ph[good], _expanded(rows.u[good]))
        warm = windows.temperature_belief(rows) == Belief.BELIEVED
        none = np.zeros(int(np.count_nonzero(warm)))
        self.temperature.take(slot[warm], rows.at_us[warm], rows.temperature_c[warm], none)
        for row in np.flatnonzero(good)[-1:]:
            self.newest = CurvePoint(int(rows.at_us[row]), float(rows.ph[row]), float(_expanded(rows.u)[row]))
        self._take_gaps(frame, rows)

    def _take_medians(self, rows: Measurements, belief: Ints) -> None:
        closed = windows.medians(rows, rows.ph, belief, first=0, window_s=WINDOW_S, fresh_us=0)
        good = np.flatnonzero((closed.belief == Belief.BELIEVED) & ~np.isnan(closed.value))
        times, values, us = rows.at_us[closed.row[good]], closed.value[good], _expanded(closed.u[good])
        found = map(CurvePoint, times.tolist(), values.tolist(), us.tolist())
        ordered = sorted([*self.medians, *found], key=lambda point: (point.value, point.at_us))
        self.medians = [*ordered[:1], *ordered[1:][-1:]]

    def _take_gaps(self, frame: CurveFrame, rows: Measurements) -> None:
        read = rows.reason == Reason.NONE
        if not read.any():
            return
        before = [] if self.arrived is None else [self.arrived]
        elapsed_us, at_us = (np.array([*(pair[n] for pair in before), *column[read].tolist()])
                             for n, column in enumerate((rows.elapsed_us, rows.at_us)))  # fmt: skip
        for end in np.flatnonzero(np.diff(elapsed_us) > frame.max_gap_s * SECOND_US) + 1:
            self.gaps.append(Stretch(int(at_us[end - 1]), int(at_us[end])))
        self.first_us = int(at_us[0]) if self.first_us is None else self.first_us
        self.arrived = int(elapsed_us[-1]), int(at_us[-1])

    def curve(self, frame: CurveFrame) -> Curve:
        """Return what was kept, as a curve."""
        gaps, doubtful = tuple(self._gaps_to_the_ends(frame)), tuple(self._not_believed(frame))
        against = self.counts[:, 1:].sum(axis=0)
        return Curve(
            frame=frame,
            ph=CurveLine(pieces=_pieces(self.ph.points(), [*gaps, *doubtful]), setpoints=frame.ph_setpoints),
            temperature=CurveLine(
                pieces=_pieces(self.temperature.points(), [*gaps, *self._temperature_unknown(frame)]),
                setpoints=frame.temperature_setpoints,
            ),
            counts=BeliefCounts(
                records=int(self.counts.sum()),
                believed=int(self.counts[:, _BELIEVED].sum()),
                against=tuple(
                    (_WORDS[place + 1], int(against[place])) for place in np.argsort(-against) if against[place]
                ),
            ),
            newest=self.newest,
            lowest=self.medians[0] if self.medians else None,
            highest=self.medians[-1] if self.medians else None,
            not_believed=doubtful,
            gaps=gaps,
        )

    def _gaps_to_the_ends(self, frame: CurveFrame) -> Iterator[Stretch]:
        if self.first_us is None or self.arrived is None:
            yield Stretch(frame.since_us, frame.until_us)
            return
        ends = Stretch(frame.since_us, self.first_us), Stretch(self.arrived[1], frame.until_us)
        for stretch in (ends[0], *self.gaps, ends[1]):
            if stretch in self.gaps or stretch.until_us - stretch.since_us > frame.max_gap_s * SECOND_US:
                yield stretch

    def _temperature_unknown(self, frame: CurveFrame) -> Iterator[Stretch]:
        """Yield the slots that were read and in which no temperature is one of the vat: no line runs across them."""
        known = set(self.temperature.columns[0].tolist())
        for slot in np.flatnonzero(self.counts.sum(axis=1)).tolist():
            if slot not in known:
                yield Stretch(_edge(frame, slot, self.slots), _edge(frame, slot + 1, self.slots))

    def _not_believed(self, frame: CurveFrame) -> Iterator[Stretch]:
        """Yield the runs of slots in which fewer than half of the readings are believed; one without any is none."""
        total = self.counts[:, :_FIRST_REASON].sum(axis=1)
        seen = np.flatnonzero(total)
        is_doubtful = 2 * self.counts[:, _BELIEVED] < total
        for doubtful, run in groupby(seen.tolist(), key=lambda slot: bool(is_doubtful[slot])):
            slots = list(run)
            if doubtful:
                why = _WORDS[1 + int(np.argmax(self.counts[slots, 1:_FIRST_REASON].sum(axis=0)))]
                yield Stretch(_edge(frame, slots[0], self.slots), _edge(frame, slots[-1] + 1, self.slots), why)


def _slot(frame: CurveFrame, at_us: Ints, slots: int) -> Ints:
    return (at_us - frame.since_us) * slots // max(1, frame.until_us - frame.since_us)


def _edge(frame: CurveFrame, slot: int, slots: int) -> int:
    return frame.since_us + slot * (frame.until_us - frame.since_us) // slots


def _expanded(u: Floats) -> Floats:
    return np.where(np.isnan(u), 0.0, windows.COVERAGE * u)


def _pieces(points: list[CurvePoint], breaks: Sequence[Stretch]) -> tuple[tuple[CurvePoint, ...], ...]:
    """Return the points cut wherever a break lies between two of them."""
    pieces: list[list[CurvePoint]] = [points[:1]] if points else []
    for before, after in pairwise(points):
        if any(before.at_us < one.until_us and after.at_us > one.since_us for one in breaks):
            pieces.append([])
        pieces[-1].append(after)
    return tuple(tuple(piece) for piece in pieces)
