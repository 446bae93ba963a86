"""What is old moves into a file that verifies; every row is in the store or in the file, or in both."""

import resource
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import select

from logger.errors import RefusedError, StoreError
from logger.model import Cause, Entry
from logger.store import (
    Store,
    archive,
    archive_note,
    archive_plan,
    backup,
    batch_seal,
    batches,
    queries,
    schema,
)
from logger.store.archive_note import Note
from logger.store.archive_rows import COLUMNS, TABLES, digest
from logger.store.batch_seal import SealHead
from logger.store.engine import Access, make_engine, parse
from logger.store.tables import meta, metadata, outbox
from tests.store.archive_fixture import DAYS, batch_of, day, fill, hourly, moments, rows
from tests.store.conftest import Opener
from tests.store.factories import command, outcome
from tests.store.test_append_only import FIXED, refused

LAST = DAYS * 24 - 2


@pytest.fixture
def filled(store: Store) -> Store:
    fill(store)
    return store


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "old.sqlite"


def move(store: Store, file: Path, *, before: float = 20, after: Callable[[str], None] = lambda _: None) -> Note:
    plan = archive_plan.plan(store, before_us=day(before))
    note = archive.make(store, plan, file, simulated=False, at_us=day(DAYS), after=after)
    archive.finish(store, file, note, simulated=False, after=after)
    return note


def in_file(file: Path) -> dict[str, set[tuple[object, ...]]]:
    with archive.opened(file, simulated=False) as opened:
        return rows(opened)


def test_every_row_is_in_the_store_or_in_the_archive_and_no_record_in_both(filled: Store, file: Path) -> None:
    before = rows(filled)
    note = move(filled, file)
    store, old = rows(filled), in_file(file)
    assert {name: store[name] | old[name] for name in before} == {
        **before,
        "journal": before["journal"] | store["journal"],
    }
    assert store["measurement"].isdisjoint(old["measurement"])
    assert (note.records, moments(filled)) == (18 * 24 - 1, (18 * 24, LAST))  # the batch of day 18 reaches into day 20
    assert archive.verify(file, simulated=False) == note
    assert len(store["journal"]) < len(before["journal"])
    assert len(store["outbox"]) < len(before["outbox"])
    assert [name for name in ("calibration", "check_reading", "batch_entry") if store[name] != old[name]] == []


def test_every_table_is_in_an_archive_but_what_each_store_has_of_its_own() -> None:
    assert {*metadata.tables} - {*TABLES} == {"meta", "retained_topic"}


@pytest.mark.slow
def test_what_the_watch_goes_on_with_stays(filled: Store, file: Path) -> None:
    move(filled, file)
    old = [entry for entry in queries.entries(filled, limit=1000) if entry.at_us < day(18)]
    assert [(entry.alarm, entry.occurrence) for entry in old] == [("ph-high", 3), ("", None)]  # it stands; the claim
    waiting = {event.id for event in queries.unsent_events(filled, 1000)}
    assert waiting == {f"e{n}" for n in range(0, DAYS, 2)}
    assert queries.watches(filled)["marrow"].alarms["ph-high"].occurrence == 3
    assert events(filled, before=18) == {"e3", *(f"e{n}" for n in range(0, 18, 2))}  # the one of the alarm that stands


def events(store: Store, *, before: int) -> set[str]:
    with store.reading() as connection:
        return set(connection.scalars(select(outbox.c.event_id).where(outbox.c.at_us < day(before))))


@pytest.mark.slow
def test_no_number_is_given_again_and_the_log_goes_on(filled: Store, file: Path) -> None:
    newest = max(row[0] for row in rows(filled)["journal"])
    move(filled, file, before=DAYS)
    position = queries.last_position(filled, "marrow-probe")
    assert position is not None
    assert position.seq == LAST
    with filled.begin() as work:
        work.append(outcome(hourly(LAST + 1, 1), entries=[Entry(seq=1, at_us=1, vat="", cause=Cause.NOTED)]), run=1)
        work.commit()
    assert max(row[0] for row in rows(filled)["journal"]) == newest + 2  # with the one that says what was moved


@pytest.mark.slow
def test_the_guards_are_in_force_afterwards(filled: Store, store_url: str, file: Path) -> None:
    move(filled, file)
    filled.close()
    statements = [f"DELETE FROM {table}" for table in FIXED if table not in ("correction", "care_entry", "inbox")]  # noqa: S608 - the names stand above
    for url in (store_url, f"sqlite:///{file}"):
        with_rows = [s for s in statements if not (url != store_url and "meta" in s)]
        assert refused(url, with_rows) == with_rows


@pytest.mark.slow
def test_sealed_batches_verify_by_the_archive_or_by_the_store_alone(filled: Store, file: Path) -> None:
    heads = {name: head(filled, name) for name in ("first", "second")}
    sealed = {name: batch_seal.seal([filled], one).digest for name, one in heads.items()}
    move(filled, file)
    with archive.opened(file, simulated=False) as old:
        assert batch_seal.seal([old], heads["first"]).digest == sealed["first"]
        assert batch_seal.place_of(old, heads["first"]) < batch_seal.place_of(filled, heads["first"])
    assert batch_seal.seal([filled], heads["second"]).digest == sealed["second"]


def head(store: Store, name: str) -> SealHead:
    record = batches.record(store, batch_of(name))
    assert record is not None
    assert record.ended_at_us is not None
    spans = [batches.spans_of(store, record)]
    return batch_seal.head_of(
        [store], batch=record.id, vat="marrow", since_us=record.started_at_us, until_us=record.ended_at_us,
        simulated=False, spans=spans,
    )  # fmt: skip


@pytest.mark.slow
def test_a_second_archive_goes_on_where_the_first_ends(filled: Store, store_url: str, file: Path) -> None:
    before = rows(filled)
    move(filled, file)
    with Store.open(store_url, simulated=False) as again:
        later = file.with_name("later.sqlite")
        note = move(again, later, before=30)
    assert note.records == 12 * 24
    with Store.open(store_url, simulated=False, read_only=True) as store, archive.opened(later, simulated=False) as old:
        assert (
            rows(store)["measurement"] | rows(old)["measurement"] | in_file(file)["measurement"]
            == before["measurement"]
        )
        for one in (store, old):
            assert str(file) in one.elsewhere("marrow", day(2), day(3))[0]
        assert str(later) in store.elsewhere("marrow", day(25), day(26))[0]
        assert store.elsewhere("marrow", day(33), day(34)) == []


@pytest.mark.slow
def test_a_store_that_is_begun_anew_knows_the_archives_too(
    filled: Store, store_url: str, file: Path, opened: Opener, tmp_path: Path
) -> None:
    note = move(filled, file)
    with Store.open(store_url, simulated=False, read_only=True) as known:
        assert known.moved == (note,)
        with opened(f"sqlite:///{tmp_path / 'anew.sqlite'}").begin() as work, known.reading() as connection:
            work.copy_references(connection)
            work.commit()
    with Store.open(f"sqlite:///{tmp_path / 'anew.sqlite'}", simulated=False, read_only=True) as anew:
        assert anew.moved == (note,)


@pytest.mark.slow
def test_an_archive_takes_no_write(filled: Store, file: Path) -> None:
    move(filled, file)
    with pytest.raises(StoreError, match="is an archive, which is only read"):
        Store.open(f"sqlite:///{file}", simulated=False)


def test_commands_that_wait_are_taken_first(sqlite_url: str, opened: Opener) -> None:
    filled = opened(sqlite_url)
    with filled.begin() as work:
        work.add_command(command())
        work.commit()
    plan = archive_plan.plan(filled, before_us=day(20))
    with pytest.raises(RefusedError, match="a command waits for the daemon"):
        archive.make(filled, plan, Path("old.sqlite"), simulated=False, at_us=0, after=lambda _: None)


@pytest.mark.slow
def test_an_archive_of_an_older_version_is_upgraded_and_still_verifies(file: Path) -> None:
    engine = make_engine(parse(f"sqlite:///{file}"), Access.CREATE, busy_s=1.0)
    schema.migrate(engine, str(file), path=None, head="0006")
    columns = {name: tuple(each for each in names if each != "superseded_by") for name, names in COLUMNS.items()}
    made = digest(())
    note = Note(
        file=str(file), store="a", made_at_us=1, stretches=(), cuts=(), columns=columns, rows=made.rows, digest=made.hex
    )
    marks = {"simulated": "false", "identity": "a", archive_note.OWN: archive_note.encode(note)}
    with engine.begin() as connection:
        connection.execute(meta.insert(), [{"key": key, "value": value} for key, value in marks.items()])
    engine.dispose()
    with pytest.raises(StoreError, match="`vatvigil archive upgrade` an archive"):
        archive.verify(file, simulated=False)
    archive.upgrade(file, simulated=False)
    assert archive.verify(file, simulated=False) == note
    assert file.with_name("old.sqlite.0006.backup").exists()


@pytest.mark.parametrize("content", [b"", b"no database", b"SQLite format 3\0"])
def test_a_file_that_is_there_is_left_as_it_is(sqlite_url: str, opened: Opener, file: Path, content: bytes) -> None:
    file.write_bytes(content)
    with pytest.raises(RefusedError, match="exists already and is left as it is"):
        archive.begun(opened(sqlite_url), file, simulated=False)
    assert file.read_bytes() == content


def test_the_store_itself_is_no_archive(sqlite_url: str, opened: Opener, tmp_path: Path) -> None:
    store = opened(sqlite_url)
    with pytest.raises(RefusedError, match="is no archive"):
        archive.begun(store, tmp_path / "store.sqlite", simulated=False)


@pytest.mark.slow
def test_an_archive_that_was_changed_is_found_and_nothing_is_removed(filled: Store, file: Path) -> None:
    before = rows(filled)
    plan = archive_plan.plan(filled, before_us=day(20))
    archive.make(filled, plan, file, simulated=False, at_us=day(DAYS), after=lambda _: None)
    with closing(sqlite3.connect(file)) as changed, changed:
        changed.execute("DROP TRIGGER measurement_update")
        changed.execute("UPDATE measurement SET ph = ph + 1e-9 WHERE seq = 77")
    with pytest.raises(StoreError, match="does not hold what was put into it"):
        archive.verify(file, simulated=False)
    assert rows(filled) == before


@pytest.mark.slow
def test_rows_that_differ_stay(sqlite_url: str, opened: Opener, tmp_path: Path, file: Path) -> None:
    filled = opened(sqlite_url)
    fill(filled)
    plan = archive_plan.plan(filled, before_us=day(20))
    note = archive.make(filled, plan, file, simulated=False, at_us=day(DAYS), after=lambda _: None)
    with closing(sqlite3.connect(tmp_path / "store.sqlite")) as changed, changed:
        changed.execute("DROP TRIGGER measurement_update")
        changed.execute("UPDATE measurement SET ph = 4 WHERE seq = 77")
    with pytest.raises(StoreError, match="rows that differ"):
        archive.finish(filled, file, note, simulated=False, after=lambda _: None)
    assert moments(filled) == (1, LAST)


@pytest.mark.slow
@pytest.mark.parametrize("size", [30_000, 110_000])
def test_a_full_disk_changes_nothing(filled: Store, file: Path, size: int) -> None:
    before, plan = rows(filled), archive_plan.plan(filled, before_us=day(20))
    with largest_file(size), pytest.raises(StoreError):
        archive.make(filled, plan, file, simulated=False, at_us=day(DAYS), after=lambda _: None)
    assert rows(filled) == before
    assert list(file.parent.glob("old.sqlite*")) == []


@pytest.mark.slow
def test_a_folder_that_takes_nothing_is_told(filled: Store) -> None:
    plan = archive_plan.plan(filled, before_us=day(20))
    with pytest.raises(StoreError, match=r"/proc/old\.sqlite"):
        archive.make(filled, plan, Path("/proc/old.sqlite"), simulated=False, at_us=day(DAYS), after=lambda _: None)


@contextmanager
def largest_file(size: int) -> Iterator[None]:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.slow
def test_a_shrunk_store_gives_its_space_back_and_is_sound(sqlite_url: str, opened: Opener, file: Path) -> None:
    store = opened(sqlite_url)
    fill(store)
    move(store, file, before=DAYS)
    shrunk = archive.shrink(store)
    assert (shrunk.why_not, shrunk.now < shrunk.before) == ("", True)
    with Store.open(sqlite_url, simulated=False) as again:
        assert moments(again)[1] == LAST
        with again.begin() as work:
            work.append(outcome(hourly(LAST + 1, 1)), run=1)
            work.commit()


@pytest.mark.slow
def test_a_backup_made_before_can_be_archived_into_the_same_file_again(
    sqlite_url: str, opened: Opener, file: Path, tmp_path: Path
) -> None:
    store = opened(sqlite_url)
    fill(store)
    copy = store.backup(tmp_path / "copies", at_us=day(DAYS))
    before = rows(store)
    note = move(store, file)
    assert store.has_changed(tmp_path / "copies")
    restored = tmp_path / "restored.sqlite"
    shutil.copy(copy, restored)
    with Store.open(f"sqlite:///{restored}", simulated=False) as again:
        assert archive.begun(again, file, simulated=False) == note
        archive.finish(again, file, archive.verify(file, simulated=False), simulated=False, after=lambda _: None)
        assert rows(again)["measurement"] | in_file(file)["measurement"] == before["measurement"]
        assert moments(again)[0] == 18 * 24
    assert backup.copies(Path(str(store.path)), tmp_path / "copies") != []
