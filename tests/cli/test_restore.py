"""`vatvigil restore`."""

from pathlib import Path

import pytest

from logger.model import TrustCause
from logger.store import Store, queries
from tests.cli.cli_fixture import House, now_us

HOUR_US = 3_600_000_000


@pytest.fixture
def house(tmp_path: Path) -> House:
    """A vat with a calibrated probe and some records, a backup of that, and more records since."""
    made = House(folder=tmp_path)
    text = made.path.read_text().replace('path = "log.sqlite"', 'path = "log.sqlite"\nbackup_dir = "copies"')
    made.path.write_text(text)
    begin_us = now_us() - 2 * HOUR_US
    with made.watch() as watching:
        watching.calibrate(begin_us)
        watching.take([150.0] * 3, first_us=begin_us)
        watching.store.backup(tmp_path / "copies", at_us=begin_us + HOUR_US)
        watching.take([150.0] * 3, first_us=begin_us + HOUR_US)
    return made


def last(house: House) -> int:
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        end = queries.last_position(store, "marrow-probe")
        assert end is not None
        return end.seq


def test_the_newest_backup_is_put_in_force_and_the_store_is_kept(house: House, tmp_path: Path) -> None:
    before = (tmp_path / "log.sqlite").read_bytes()
    told = house.do("restore")
    assert (told.exit_code, last(house)) == (0, 3)
    assert "is in force: its newest record is of" in " ".join(told.output.split())
    (aside,) = tmp_path.glob("log.sqlite.replaced-*Z")
    assert aside.read_bytes() == before
    assert not list(tmp_path.glob("*.restoring*"))


def test_what_a_restored_store_knows_counts_as_known_from_a_backup(house: House) -> None:
    assert house.do("restore").exit_code == 0
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        carry = queries.watches(store)["marrow"]
    assert carry.electrode.calibration is not None
    assert carry.trust.doubt is not None
    assert carry.trust.doubt.cause is TrustCause.BACKUP
    assert all(state.occurrence > 3600 for state in carry.alarms.values())


def test_a_damaged_store_does_not_keep_a_backup_from_being_restored(house: House, tmp_path: Path) -> None:
    (tmp_path / "log.sqlite").write_bytes(b"no database")
    assert house.do("restore").exit_code == 0
    assert last(house) == 3


def test_a_damaged_backup_is_refused_and_the_store_stays(house: House, tmp_path: Path) -> None:
    (bad := tmp_path / "bad.sqlite").write_bytes(b"no database" * 1000)
    told = house.do("restore", str(bad))
    assert (told.exit_code, last(house)) == (1, 6)
    assert "is damaged" in told.stderr
    assert "take an older one" in told.stderr


def test_a_store_that_a_daemon_works_on_is_not_replaced(house: House) -> None:
    with Store.open(house.config.store_url, simulated=False) as store:
        store.claim()
        told = house.do("restore")
    assert (told.exit_code, last(house)) == (1, 6)
    assert "Another `vatvigil run` watches" in told.stderr


@pytest.mark.parametrize(("arguments", "why"), [(["none.sqlite"], "there is no file"), ([], "there is no backup")])
def test_without_a_backup_nothing_is_replaced(tmp_path: Path, arguments: list[str], why: str) -> None:
    told = House(folder=tmp_path).do("restore", *arguments)
    assert told.exit_code == 1
    assert why in told.stderr
