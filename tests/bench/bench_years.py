"""How large a store is after one year and after five, with its backups; what `vatvigil archive` takes and gives."""

import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from logger.mqtt.event import event_of
from logger.store import Store, archive, archive_plan
from logger.store.backup import Keep
from logger.structs import replace
from tests.bench.long_log import DAY, PERIOD_US, fill
from tests.store.factories import START_US, calibration, check, entry

pytestmark = [pytest.mark.bench, pytest.mark.timeout(7200)]
DAY_US = DAY * PERIOD_US
ENTRIES, EVENTS = 12, 8
"""A day: of the journal, and of these told. Chosen, no source."""
TEXT = "pH 4.71 +/- 0.10 is above 4.6, for 10 min; the newest reading is believed. Look at the vat, then acknowledge."
REFERS = {
    "calibration": "1",
    '"check"': "1",
    "since_at_us": f"{START_US} + n / 8640 * {DAY_US}",
}
"""What a record of a watched probe has beside its values: a calibration, a check, since when it is believed."""


@pytest.mark.parametrize("years", [1, 5])
def test_a_store_of_years(tmp_path: Path, years: int) -> None:
    path, days = tmp_path / "log.sqlite", 365 * years
    made(path, days)
    with Store.open(f"sqlite:///{path}", simulated=False) as store:
        begin = time.perf_counter()
        copy = store.backup(tmp_path / "copies", at_us=START_US + days * DAY_US)
        took_s = time.perf_counter() - begin
        size = copy.stat().st_size
    print(f"{years} years at 10 s ({days * DAY:,} records): {size / 1e6:,.0f} MB, {size / days / DAY:.1f} B a record")
    print(f"  one backup: {size / 1e6:,.0f} MB in {took_s:.0f} s; all that are kept: {kept(size, days)}")
    for name, share in parts(copy).items():
        print(f"  {name}: {share / 1e6:,.1f} MB, {share / days:,.0f} B a day")
    path.unlink()
    copy.unlink()


def test_an_archive_of_half_a_year(tmp_path: Path) -> None:
    path, days = tmp_path / "log.sqlite", 365
    made(path, days)
    with Store.open(f"sqlite:///{path}", simulated=False) as store:
        moved(store, tmp_path / "old.sqlite", days)


def made(path: Path, days: int) -> None:
    with Store.open(f"sqlite:///{path}", simulated=False, migrate=True) as store, store.begin() as work:
        work.add_calibration(calibration())
        work.add_check(check())
        work.commit()
    fill(path, 1, days * DAY, probe="north-probe", vat="north", begin_us=START_US, more=REFERS)
    with Store.open(f"sqlite:///{path}", simulated=False) as store:
        for begin in range(0, days, 365):
            told(store, begin, min(begin + 365, days))


def told(store: Store, first: int, last: int) -> None:
    """Store the journal and the events of some days."""
    step_us = DAY_US // ENTRIES
    moments = [START_US + day * DAY_US + n * step_us for day in range(first, last) for n in range(ENTRIES)]
    entries = [
        replace(entry(n, vat="north", text=TEXT, occurrence=n), seq=n, at_us=at_us)
        for n, at_us in enumerate(moments, 1)
    ]
    events = [
        event for n, each in enumerate(entries) if n % ENTRIES < EVENTS and (event := event_of(each, simulated=False))
    ]
    with store.begin() as work:
        work.add_entries(entries)
        work.add_events(events, {event.id: event.at_us for event in events})
        work.commit()


def kept(size: int, days: int) -> str:
    """Say what the backups of a store that grows evenly to that size take; which are kept is asked of `Keep`."""
    end = datetime(2031, 12, 31, 3, tzinfo=UTC)
    names = {
        Path(f"log-{end - timedelta(days=ago):%Y%m%dT%H%M%SZ}.sqlite"): days - ago for ago in range(days - 1, -1, -1)
    }
    copies = Keep().of([*names])
    return f"{len(copies)}, {sum(size * names[copy] / days for copy in copies) / 1e9:.1f} GB (reckoned by that size)"


def parts(path: Path) -> dict[str, int]:
    """Return the bytes of the pages of each kind of table (https://www.sqlite.org/dbstat.html)."""
    with closing(sqlite3.connect(path)) as connection:
        try:
            found = connection.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name").fetchall()
        except sqlite3.OperationalError:
            return {}  # this SQLite was built without it
    sizes = {name: size for name, size in found if size > 100_000}
    return dict(sorted(sizes.items(), key=lambda item: -item[1]))


def moved(store: Store, file: Path, days: int) -> None:
    """Say what it takes to move all but the last half year into an archive."""
    begin = time.perf_counter()
    plan = archive_plan.plan(store, before_us=START_US + (days - 182) * DAY_US)
    note = archive.make(store, plan, file, simulated=False, at_us=START_US + days * DAY_US, after=lambda _: None)
    made_s = time.perf_counter() - begin
    archive.finish(store, file, note, simulated=False, after=lambda _: None)
    removed_s = time.perf_counter() - begin - made_s
    shrunk = archive.shrink(store)
    shrunk_s = time.perf_counter() - begin - made_s - removed_s
    print(f"{note.records:,} records: an archive of {file.stat().st_size / 1e6:,.0f} MB")
    print(f"  written and read again in {made_s:.0f} s, removed in {removed_s:.0f} s, shrunk in {shrunk_s:.0f} s")
    print(f"  the store: {shrunk.before / 1e6:,.0f} MB before, {shrunk.now / 1e6:,.0f} MB after")
