"""What a session leaves in the store: all of it, or nothing."""

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import RefusedError
from logger.guided import calibrating, storing
from logger.guided.immersion import CalibrationInForce
from logger.model import CommandKind
from logger.store import Store, queries
from logger.structs import replace
from tests.guided.factories import BEGIN_US, PROBE, calibration
from tests.guided.test_conclusions import in_glasses, order

NOW_US = BEGIN_US + 3_600_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(f"sqlite:///{tmp_path / 'log.sqlite'}", simulated=False, migrate=True, busy_s=0.05) as opened:
        yield opened


def kept(store: Store) -> tuple[int, int, int]:
    """Return how many calibrations, checks and waiting commands there are."""
    lines, checks = queries.calibrations(store, PROBE.id), queries.checks(store, PROBE.id)
    return len(lines), len(checks), len(queries.pending_commands(store))


def first(store: Store) -> None:
    """Put a first calibration into force."""
    storing.keep_calibration(store, calibration(), is_wanted=True, at_us=BEGIN_US, by="tova")


def test_a_wanted_one_is_stored_with_what_was_found_and_the_command_that_applies_it(store: Store) -> None:
    first(store)
    in_force = storing.in_force(store, vat="marrow", probe=PROBE.id).calibration
    made, checks = calibrating.fit_and_judge(order(in_force), in_glasses())
    stored = storing.keep_calibration(store, made, checks, is_wanted=True, at_us=NOW_US, by="tova")
    assert kept(store) == (2, 3, 2)
    (_, command) = queries.pending_commands(store)
    assert (command.id, command.kind, command.calibration) == (
        stored.commands[0],
        CommandKind.CALIBRATE,
        stored.calibration,
    )
    assert [check.calibration for check in queries.checks(store, PROBE.id)] == [1, 1, 1]
    assert storing.in_force(store, vat="marrow", probe=PROBE.id) == CalibrationInForce(calibration=stored.calibration)


def test_one_that_nobody_wants_is_kept_alone_for_the_record(store: Store) -> None:
    first(store)
    made, checks = calibrating.fit_and_judge(order(calibration()), in_glasses())
    stored = storing.keep_calibration(store, made, checks, is_wanted=False, at_us=NOW_US, by="tova")
    assert (kept(store), stored.commands) == ((2, 0, 1), ())
    assert [one.accepted for one in queries.calibrations(store, PROBE.id)] == [True, False]


def test_one_that_is_used_later_is_accepted_from_then_on_and_its_row_stays_as_it_is(store: Store) -> None:
    first(store)
    made, checks = calibrating.fit_and_judge(order(replace(calibration(), id=1)), in_glasses())
    kept_one = storing.keep_calibration(store, made, checks, is_wanted=False, at_us=NOW_US, by="tova").calibration
    (number,) = storing.use_calibration(store, kept_one, checks, at_us=NOW_US, by="tova")
    assert kept(store) == (2, 3, 2)
    used = queries.calibration_of(store, kept_one.id)
    assert used == queries.StoredCalibration(calibration=kept_one, accepted=True, command=number)
    assert storing.in_force(store, vat="marrow", probe=PROBE.id) == CalibrationInForce(calibration=kept_one)
    assert queries.calibration_of(store, 3) is None


def test_when_one_row_cannot_be_stored_none_is(store: Store) -> None:
    first(store)
    made, checks = calibrating.fit_and_judge(order(replace(calibration(), id=1)), in_glasses())
    broken = (*checks[:2], replace(checks[2], note="\x00"))
    with pytest.raises(RefusedError):
        storing.keep_calibration(store, made, broken, is_wanted=True, at_us=NOW_US, by="tova")
    assert kept(store) == (1, 0, 1)


def test_a_store_that_the_daemon_holds_for_a_moment_is_waited_for(store: Store, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "log.sqlite", check_same_thread=False, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        release = threading.Timer(1.0, other.execute, ("ROLLBACK",))
        release.start()
        first(store)
        release.join()
    assert kept(store) == (1, 0, 1)


def test_without_anything_nothing_is_in_force(store: Store) -> None:
    assert storing.in_force(store, vat="marrow", probe=PROBE.id) == CalibrationInForce()
