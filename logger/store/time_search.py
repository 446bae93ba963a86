"""Find the records of a span of UTC by their numbers, without reading the log.

Law: no record of the span is left out, whatever was done to the wall clock; what is found may hold others, so who reads
asks for their time too. The work grows with the logarithm of the log.

No index knows the UTC of records, for it would grow the log by a fifth; they are found by the primary key. UTC need not
rise with the numbers: somebody sets the clock back, a machine begins without the time. Watch time never runs back, so
UTC minus watch time is the same at both ends of a piece of the log unless the clock was stepped within it. Such a piece
is calm, and all its records have times between those of its ends. A clock that was stepped away and back to the same
has calm ends too: but each step of more than 5 s is in the journal as `clock-stepped`, with the time after it, and the
step back has a time within the piece (only while that alarm is shelved or out of service it is not). A piece that is
not calm is divided, and read whole in the end.

A probe stays at its vat for all of a run, since the configuration does: between two neighbouring runs there is no third
vat. Daylight saving is nothing here: UTC has none.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from itertools import pairwise
from operator import ge, lt
from typing import NamedTuple

from sqlalchemy import Connection, and_, func, select

from logger.config import AlarmKind
from logger.store.store import Store
from logger.store.tables import journal, measurement
from logger.structs import Struct
from logger.units import SECOND_US

PARTS = 32
"""A piece is divided into so many."""
STEP_US = 5 * SECOND_US
"""Steps of the wall clock up to this are not journalled (`daemon/system_monitor.py`)."""
LATE_US = 600 * SECOND_US
"""A step may be journalled so long after it, where the daemon was held up meanwhile."""
END_OF_TIME_US = 2**62


class _Place(NamedTuple):
    """A record, as far as it tells where others are."""

    seq: int
    at_us: int
    elapsed_us: int
    vat: str
    run: int


_COLUMNS = [measurement.c[name] for name in _Place._fields]


class _Wanted(Struct, frozen=True, kw_only=True):
    """What is looked for: a span of UTC, of one vat; `steps`: UTC after each journalled step of the clock, in order."""

    vat: str
    since_us: int
    until_us: int
    steps: Sequence[int]

    def is_calm(self, a: _Place, b: _Place) -> bool:
        """Tell whether the records between two have times between theirs, to `STEP_US`."""
        if abs((b.at_us - a.at_us) - (b.elapsed_us - a.elapsed_us)) > STEP_US:
            return False
        step = bisect_left(self.steps, a.at_us - STEP_US)
        return step == len(self.steps) or self.steps[step] > b.at_us + LATE_US

    def is_apart(self, a: _Place, b: _Place) -> bool:
        """Tell whether nothing between two can be wanted."""
        if b.run - a.run <= 1 and self.vat not in (a.vat, b.vat):
            return True
        is_outside = b.at_us + STEP_US < self.since_us or a.at_us - STEP_US >= self.until_us
        return is_outside and self.is_calm(a, b)

    def is_within(self, a: _Place, b: _Place) -> bool:
        """Tell whether there is nothing to be gained by a closer look: both ends are wanted, and all between them."""
        ends_us = a.at_us >= self.since_us and b.at_us < self.until_us
        return ends_us and self.vat == a.vat == b.vat and self.is_calm(a, b)


def near(
    store: Store, probe: str, *, vat: str, since_at_us: int | None, until_at_us: int | None, finest: int
) -> list[tuple[int, int]]:
    """Return the ranges of record numbers in which a probe's records of a span of UTC at a vat lie, in order.

    `finest`: pieces of so many records are not divided.
    """
    with store.reading() as connection:
        ends = _ends(connection, probe)
        wanted = _Wanted(
            vat=vat,
            since_us=-END_OF_TIME_US if since_at_us is None else since_at_us,
            until_us=END_OF_TIME_US if until_at_us is None else until_at_us,
            steps=_steps(connection),
        )
        return _joined(_search(connection, probe, wanted, ends, finest=finest)) if ends else []


def first_and_last(
    store: Store, probe: str, *, vat: str, since_at_us: int | None, until_at_us: int | None, finest: int
) -> tuple[int, int] | None:
    """Return the numbers of the first and the last record of a probe at a vat within a span of UTC; None: of none."""
    ranges = near(store, probe, vat=vat, since_at_us=since_at_us, until_at_us=until_at_us, finest=finest)
    m = measurement.c
    bounds = [compare(m.at_us, at_us) for compare, at_us in ((ge, since_at_us), (lt, until_at_us)) if at_us is not None]
    numbers = select(m.seq).where(m.probe == probe, m.vat == vat, *bounds).limit(1)
    with store.reading() as connection:
        rising = (connection.scalar(numbers.where(m.seq.between(*one)).order_by(m.seq)) for one in ranges)
        first = next((seq for seq in rising if seq is not None), None)
        falling = (connection.scalar(numbers.where(m.seq.between(*one)).order_by(m.seq.desc())) for one in ranges[::-1])
        last = next((seq for seq in falling if seq is not None), None)
    return None if first is None or last is None else (first, last)


def probes(store: Store) -> list[str]:
    """Return the probes that have records, by name."""
    found: list[str] = []
    with store.reading() as connection:
        smallest = func.min(measurement.c.probe)
        name = connection.scalar(select(smallest))
        while name is not None:  # one look into the primary key each; DISTINCT would read all of it
            found.append(name)
            name = connection.scalar(select(smallest).where(measurement.c.probe > name))
    return found


def _ends(connection: Connection, probe: str) -> list[_Place]:
    numbers = select(measurement.c.seq).where(measurement.c.probe == probe).limit(1)
    first, last = (numbers.order_by(order) for order in (measurement.c.seq, measurement.c.seq.desc()))
    # One by one: SQLite reads every record where it is asked for both ends at once.
    found = [connection.scalar(end) for end in (first, last)]
    return _places(connection, probe, [seq for seq in found if seq is not None])


def _places(connection: Connection, probe: str, numbers: Sequence[int]) -> list[_Place]:
    m = measurement.c
    chosen = select(*_COLUMNS).where(m.probe == probe, m.seq.in_(numbers)).order_by(m.seq)
    return [_Place(*row) for row in connection.execute(chosen)]


def _steps(connection: Connection) -> list[int]:
    stepped = and_(journal.c.vat == "", journal.c.alarm == AlarmKind.CLOCK_STEPPED.value)
    return sorted(connection.scalars(select(journal.c.at_us).where(stepped)))


def _search(
    connection: Connection, probe: str, wanted: _Wanted, places: Sequence[_Place], *, finest: int
) -> Iterator[tuple[int, int]]:
    """Yield the pieces between neighbouring places that may hold what is wanted, as finely as need be."""
    if len(places) == 1:
        yield places[0].seq, places[0].seq
    for a, b in pairwise(places):
        if wanted.is_apart(a, b):
            continue
        if b.seq - a.seq <= finest or wanted.is_within(a, b):
            yield a.seq, b.seq
            continue
        numbers = range(a.seq, b.seq, max(1, (b.seq - a.seq) // PARTS))
        inner = _places(connection, probe, [*numbers, b.seq])
        yield from (
            [(a.seq, b.seq)] if len(inner) == len((a, b)) else _search(connection, probe, wanted, inner, finest=finest)
        )


def _joined(pieces: Iterator[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return pieces that meet as one."""
    joined: list[tuple[int, int]] = []
    for first, last in pieces:
        if joined and first <= joined[-1][1]:
            joined[-1] = joined[-1][0], last
        else:
            joined.append((first, last))
    return joined
