"""Copies made while the store is in use."""

from datetime import date, timedelta
from pathlib import Path

import pytest

from logger.errors import StoreBusyError, StoreError
from logger.store import Store, backup, queries, tables
from logger.store.backup import Keep
from tests.store.conftest import Opener
from tests.store.factories import START_US, event

DAY_US = 86_400_000_000
ONE = Keep(days=1, weeks=0, months=0)


@pytest.fixture
def used(sqlite_url: str, opened: Opener) -> Store:
    store = opened(sqlite_url)
    with store.begin() as unit:
        unit.add_events([event("committed")])
        unit.commit()
    return store


def test_a_copy_holds_what_is_committed_while_a_write_goes_on(used: Store, tmp_path: Path, opened: Opener) -> None:
    with used.begin() as unit:
        unit.add_events([event("open")])
        copy = used.backup(tmp_path / "copies", at_us=START_US)
        unit.commit()
    assert [path.name for path in (tmp_path / "copies").iterdir()] == [copy.name]
    restored = opened(f"sqlite:///{copy}", migrate=False)
    assert queries.unsent_events(restored, 9) == [event("committed")]
    with restored.begin() as unit:
        unit.add_events([event("later")])
        unit.commit()
    assert queries.unsent_events(used, 9) == [event("committed"), event("open")]


def test_copies_are_named_by_utc_and_the_newest_kept(used: Store, tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    folder.mkdir()
    for other in ("store-2-20200101T000000Z.sqlite", "store-notes.sqlite"):
        (folder / other).write_text("not ours")
    for day in range(4):
        used.backup(folder, at_us=day * DAY_US, keep=Keep(days=2, weeks=0, months=0))
    assert sorted(path.name for path in folder.iterdir()) == [
        "store-19700103T000000Z.sqlite",
        "store-19700104T000000Z.sqlite",
        "store-2-20200101T000000Z.sqlite",
        "store-notes.sqlite",
    ]


def test_of_two_years_seven_days_four_weeks_and_twelve_months_are_kept() -> None:
    first = date(2024, 1, 1)
    made: list[Path] = []
    for day in range(731):  # thinned each day, as the daemon does
        made.append(Path(f"store-{first + timedelta(days=day):%Y%m%d}T030000Z.sqlite"))
        kept = Keep().of(made)
        made = [copy for copy in made if copy in kept]
    names = [copy.stem[6:14] for copy in made]
    assert names[-7:] == [f"202512{day}" for day in (25, 26, 27, 28, 29, 30, 31)]
    weeks = ["20251214", "20251221"]  # Sundays; the two weeks after them end within the seven days
    assert names[-9:-7] == weeks
    months = ["20250131", "20250228", "20250331", "20250430", "20250531", "20250630", "20250731", "20250831"]
    assert names[:-9] == [*months, "20250930", "20251031", "20251130"]


def test_a_store_that_holds_nothing_new_is_not_copied_again(used: Store, tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    assert used.has_changed(folder)
    used.backup(folder, at_us=0)
    assert not used.has_changed(folder)
    with used.begin() as unit:
        unit.start_run(at_us=1, elapsed_us=0, version="1", config_hash="")
        unit.commit()
    assert not used.has_changed(folder)
    with used.begin() as unit:
        unit.add_events([event("later")])
        unit.commit()
    assert used.has_changed(folder)


def test_whatever_is_stored_is_a_reason_for_a_copy() -> None:
    looked_at = {statement.split(" FROM ")[1].split()[0] for statement in backup._NEWEST}  # noqa: SLF001 - the tables
    assert {*tables.metadata.tables} - looked_at == {"meta", "run", "retained_topic"}


def test_a_copy_made_after_the_clock_was_set_back_is_kept(used: Store, tmp_path: Path) -> None:
    copies = [used.backup(tmp_path, at_us=day * DAY_US, keep=Keep(days=2, weeks=0, months=0)) for day in (5, 6, 1)]
    assert [copy.exists() for copy in copies] == [True, True, True]


def test_a_copy_that_cannot_be_written_leaves_nothing(used: Store, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreBusyError, match=r"No backup .* could be made"):
        used.backup(tmp_path / "file", at_us=0)
    assert (tmp_path / "file").read_text() == ""


def test_a_damaged_store_gives_no_copy_and_takes_no_old_one_away(used: Store, tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    good = used.backup(folder, at_us=0, keep=ONE)
    used.close()
    path = Path(str(used.path))
    content = bytearray(path.read_bytes())
    content[4096:] = b"\xff" * (len(content) - 4096)
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"cannot be copied .*: it may be damaged; keep old backups") as refusal:
        used.backup(folder, at_us=DAY_US, keep=ONE)
    assert not isinstance(refusal.value, StoreBusyError)
    assert list(folder.iterdir()) == [good]


def test_postgresql_is_backed_up_with_its_own_tool(postgres_url: str, opened: Opener, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="is backed up with pg_dump"):
        opened(postgres_url).backup(tmp_path, at_us=0)


def test_a_copy_that_nobody_wants_any_more_ends_soon_and_leaves_nothing(used: Store, tmp_path: Path) -> None:
    with pytest.raises(StoreBusyError, match="was broken off"):
        used.backup(tmp_path / "copies", at_us=START_US, is_wanted=lambda: False)
    assert list((tmp_path / "copies").iterdir()) == []


def test_what_a_killed_process_left_of_a_copy_is_cleared_away(used: Store, tmp_path: Path) -> None:
    (tmp_path / "copies").mkdir()
    (tmp_path / "copies" / "store-20200101T000000Z.sqlite.part").write_bytes(b"half")
    copy = used.backup(tmp_path / "copies", at_us=START_US)
    assert list((tmp_path / "copies").iterdir()) == [copy]


def test_a_copy_made_in_pieces_is_of_one_moment_though_commits_go_on(
    used: Store, tmp_path: Path, opened: Opener
) -> None:
    with used.begin() as unit:
        unit.add_events([event(f"{n:04}-{'x' * 3000}") for n in range(1500)])  # some pieces
        unit.commit()
    pieces: list[int] = []

    def is_wanted() -> bool:
        pieces.append(len(pieces))
        with used.begin() as unit:
            unit.add_events([event(f"later-{len(pieces)}")])
            unit.commit()
        return len(pieces) < 100

    copy = used.backup(tmp_path / "copies", at_us=START_US, is_wanted=is_wanted)
    assert 2 <= len(pieces) < 100
    restored = opened(f"sqlite:///{copy}", migrate=False)
    assert queries.outbox_waiting(restored).count == 1501
