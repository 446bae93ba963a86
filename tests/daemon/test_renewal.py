"""A store that is damaged or lost is set aside and begun anew, and the watch goes on with what is known."""

import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from logger.config import Config
from logger.daemon import start
from logger.errors import StoreBusyError, StoreError
from logger.model import Cause, Check, CheckKind, Command, CommandKind, State, TrustCause
from logger.store import Store, batches, queries
from logger.store.integrity import damage
from logger.structs import replace
from tests.daemon.factories import HIGH, calibrated, config_of, run
from tests.series import EPOCH_US

HOUR_US = 3_600_000_000
ACID, HIGH_PH = 4.5, 4.7
Harm = Callable[[Path], None]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store whose alarm stands, and a backup of it."""
    folder = tmp_path_factory.mktemp("made")
    config = calibrated(config_of(folder, HIGH, backup_dir=folder / "copies"))
    with run(config, [ACID, *[HIGH_PH] * 70]) as store:
        store.backup(folder / "copies", at_us=EPOCH_US + 1000 * HOUR_US)  # named as newer than the one of the start
    return folder


@pytest.fixture
def watched(made: Path, tmp_path: Path) -> Config:
    """The configuration of a copy of that folder."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return config_of(tmp_path, HIGH, backup_dir=tmp_path / "copies")


def file(config: Config) -> Path:
    return Path(config.store_url.removeprefix("sqlite:///"))


def no_database(path: Path) -> None:
    path.write_bytes(b"\x1b[2Jnothing like it" * 4096)


def zeroed_pages(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096:] = bytes(len(content) - 4096)
    path.write_bytes(content)


def cut_short(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def another_name(path: Path) -> None:
    """Let a name be another one, as flipped bits can, which SQLite's own check does not mind."""
    path.write_bytes(path.read_bytes().replace(b"watch_part", b"witch_part"))


def no_text(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b"watch_part", b"watch\xffpart"))


@pytest.mark.parametrize("harm", [no_database, zeroed_pages, cut_short, another_name, no_text])
def test_a_damaged_store_is_set_aside_and_the_watch_goes_on_from_the_backup(watched: Config, harm: Harm) -> None:
    path = file(watched)
    with Store.open(watched.store_url, simulated=False, read_only=True) as store:
        before = queries.watches(store)["vat"]
        identity = store.identity
    harm(path)
    harmed = path.read_bytes()
    with run(watched, [ACID] * 3) as store:
        assert store.identity == identity
        (aside,) = path.parent.glob("night.db.damaged-*Z")
        assert aside.read_bytes() == harmed
        carry = queries.watches(store)["vat"]
        alarm, was = carry.alarms["ph-high"], before.alarms["ph-high"]
        assert (alarm.base, was.base, was.occurrence) == (State.RETURNED, State.UNACKNOWLEDGED, 1)
        assert alarm.occurrence > was.occurrence + 1000
        assert carry.electrode.calibration == before.electrode.calibration
        assert carry.trust.doubt is not None
        assert carry.trust.doubt.cause is TrustCause.BACKUP
        (told,) = queries.entries(store, limit=9, alarm="store-renewed", cause=Cause.ANNUNCIATED)
        assert told.priority == "high"
        assert f"is kept as {aside}" in told.text
        assert "from the backup" in told.text
        assert [c.calibration.id for c in queries.calibrations(store, "probe")] == [1]
        assert queries.last_position(store, "probe").seq > 71  # type: ignore[union-attr] # there are records


def test_a_calibration_of_a_backup_is_doubted_until_a_check_passes(watched: Config) -> None:
    no_database(file(watched))
    run(watched, [ACID] * 3).close()
    with Store.open(watched.store_url, simulated=False) as store, store.begin() as work:
        check = Check(
            id=0,
            probe="probe",
            at_us=EPOCH_US,
            kind=CheckKind.BUFFER,
            reference_ph=4.005,
            u_reference_ph=0.01,
            reading_ph=4.01,
            deviation_ph=0.005,
            tolerance_ph=0.1,
            passed=True,
            calibration=1,
        )
        command = Command(id=0, at_us=EPOCH_US, kind=CommandKind.CHECK, vat="", probe="probe")
        work.add_command(replace(command, check=work.add_check(check)))
        work.commit()
    with run(watched, [ACID] * 3) as store:
        assert queries.watches(store)["vat"].trust.doubt is None


def test_a_store_that_is_gone_is_begun_anew_and_said_to_be(watched: Config) -> None:
    file(watched).unlink()
    with run(watched, [ACID] * 3) as store:
        (told,) = queries.entries(store, limit=9, alarm="store-renewed", cause=Cause.ANNUNCIATED)
        assert "There is no store" in told.text
        assert queries.watches(store)["vat"].alarms["ph-high"].occurrence > 1000


def test_without_a_backup_no_number_is_given_again(watched: Config) -> None:
    shutil.rmtree(file(watched).parent / "copies")
    no_database(file(watched))
    with run(watched, [ACID] * 3) as store:
        assert queries.watches(store)["vat"].alarms["ph-high"].occurrence > 1_000_000
        (told,) = queries.entries(store, limit=9, alarm="store-renewed", cause=Cause.ANNUNCIATED)
        assert "no backup could be read" in told.text


def test_a_damaged_backup_is_passed_over_for_the_one_before(watched: Config) -> None:
    newest = file(watched).parent / "copies" / "night-20990101T030000Z.sqlite"
    newest.write_bytes(b"no database")
    no_database(file(watched))
    with run(watched, [ACID] * 3) as store:
        assert [c.calibration.id for c in queries.calibrations(store, "probe")] == [1]


def test_the_first_store_of_all_is_no_lost_one(tmp_path: Path) -> None:
    with run(config_of(tmp_path, HIGH), [ACID] * 3) as store:
        assert queries.entries(store, limit=9, alarm="store-renewed") == []


def refuse_to_be_written(path: Path) -> None:
    path.chmod(0o000)


def be_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def be_locked(path: Path) -> None:
    other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN EXCLUSIVE")
    held.append(other)


held: list[sqlite3.Connection] = []


HARMLESS = [be_a_folder, be_locked] + [refuse_to_be_written] * (os.geteuid() != 0)  # root may write all


@pytest.mark.parametrize("harm", HARMLESS)
def test_a_store_that_only_cannot_be_used_now_is_never_set_aside(watched: Config, harm: Harm) -> None:
    path = file(watched)
    harm(path)
    try:
        with pytest.raises(StoreError) as refusal:
            start.build(watched, config_hash="")
        assert isinstance(refusal.value, StoreBusyError)
        assert list(path.parent.glob("*damaged*")) == []
    finally:
        while held:
            held.pop().close()


def test_a_folder_that_is_not_there_makes_no_new_store(watched: Config) -> None:
    path = file(watched)
    path.parent.rename(path.parent.with_name("unmounted"))
    with pytest.raises(StoreError, match="make the folder"):
        start.build(watched, config_hash="")


def test_a_sound_file_is_sound_and_a_harmed_one_is_not(watched: Config) -> None:
    assert damage(file(watched)) == ""
    zeroed_pages(file(watched))
    assert damage(file(watched)) != ""


def test_what_is_set_aside_twice_in_a_second_has_two_names(watched: Config) -> None:
    for _ in range(2):
        no_database(file(watched))
        run(watched, [ACID]).close()
    assert len(list(file(watched).parent.glob("night.db.damaged-*"))) == 2
    with closing(sqlite3.connect(file(watched))) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def begin_batch(config: Config) -> str:
    """Let a batch begin and something be said of it; return its identity."""
    said = [(CommandKind.MARK, "started"), (CommandKind.NOTE, "pressed down")]
    with Store.open(config.store_url, simulated=False) as store, store.begin() as work:
        for number, (kind, note) in enumerate(said):
            work.add_command(Command(id=0, at_us=EPOCH_US + number, kind=kind, vat="vat", note=note))
        work.commit()
    with run(config, [ACID] * 3) as store:
        begun = batches.open_batch(store, "vat")
        store.backup(file(config).parent / "copies", at_us=EPOCH_US + 2000 * HOUR_US)
    assert begun is not None
    return begun.id


def test_a_batch_goes_on_under_its_identity_with_what_the_backup_has_of_it(watched: Config) -> None:
    begun = begin_batch(watched)
    no_database(file(watched))
    with run(watched, [ACID] * 3) as store:
        found = batches.open_batch(store, "vat")
        assert found is not None
        assert (found.id, [each.content.text for each in found.notes]) == (begun, ["pressed down"])
        assert queries.watches(store)["vat"].batch.id == begun


def test_of_a_batch_that_no_backup_knows_the_start_is_entered_from_memory(watched: Config) -> None:
    begun = begin_batch(watched)
    with Store.open(watched.store_url, simulated=False, read_only=True) as store:
        carried = queries.watches(store)["vat"].batch
    file(watched).unlink()
    with Store.open(watched.store_url, simulated=False, migrate=True) as store, store.begin() as work:
        work.resume_batch("vat", carried)
        work.resume_batch("vat", carried)
        work.commit()
    with Store.open(watched.store_url, simulated=False, read_only=True) as store:
        (found,) = batches.records(store)
    assert (found.id, found.started_at_us, len(found.entries)) == (begun, carried.started_at_us, 1)
    assert "in the store that was set aside" in found.start.note
