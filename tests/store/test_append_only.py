"""The database itself refuses to change or delete what was stored."""

from collections.abc import Iterable

import pytest
from sqlalchemy import Engine, create_engine
from sqlalchemy.exc import DBAPIError

from logger.model import Answer, CareEntry, CareKind, CommandKind
from logger.store import Store
from logger.store.engine import parse
from tests.store.factories import calibration, check, command, correction, entry, event, measurements, outcome

FIXED = ["meta", "run", "calibration", "check_reading", "correction", "measurement", "journal"]
FIXED += ["channel_delivery", "outbox", "batch_entry", "care_entry", "inbox"]
REFUSAL = "are never changed or deleted"


@pytest.fixture
def filled(store: Store) -> Store:
    with store.begin() as unit:
        run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
        made = unit.add_calibration(calibration())
        unit.add_check(check())
        unit.add_correction(correction())
        unit.add_events([event("a"), event("b")], {"a": 5})
        unit.mark_taken({("hook", "a"): 4})
        answer = Answer(command=unit.add_command(command()), seq=1, applied=True, text="done")
        unit.add_command(command(calibration=made))
        unit.add_command(command(kind=CommandKind.MARK, vat="cellar", note="started"))
        unit.add_care_entry(CareEntry(entry="a", probe="p1", kind=CareKind.RINSED, at_us=5, happened_at_us=5))
        unit.append(outcome(measurements(1, 2), entries=[entry()], answers=[answer]), run=run)
        unit.commit()
    return store


def refused(url: str, statements: Iterable[str]) -> list[str]:
    """Return the statements that the database refuses, past everything of ours."""
    engine = create_engine(parse(url))
    found = [statement for statement in statements if not is_taken(engine, statement)]
    engine.dispose()
    return found


def is_taken(engine: Engine, statement: str) -> bool:
    try:
        with engine.begin() as connection:
            connection.exec_driver_sql(statement)
    except DBAPIError as error:
        return REFUSAL not in str(error)
    return True


@pytest.mark.usefixtures("filled")
def test_no_row_can_be_deleted(store_url: str) -> None:
    statements = [f"DELETE FROM {table}" for table in FIXED]  # noqa: S608 - the names stand above
    assert refused(store_url, statements) == statements


@pytest.mark.usefixtures("filled")
def test_no_row_can_be_changed_but_for_its_one_completion(store_url: str) -> None:
    statements = [
        "UPDATE meta SET value = 'true'",
        "UPDATE run SET version = '9'",
        "UPDATE calibration SET slope = 1",
        "UPDATE check_reading SET deviation_ph = 0",
        "UPDATE correction SET revokes = 1",
        "UPDATE measurement SET ph = 4.1",
        "UPDATE journal SET text = ''",
        "UPDATE batch_entry SET note = 'other'",
        "UPDATE care_entry SET lot = 'other'",
        "UPDATE channel_delivery SET at_us = 5",
        "UPDATE outbox SET payload = '' WHERE event_id = 'b'",
        "UPDATE outbox SET delivered_at_us = 6, vat = 'other' WHERE event_id = 'b'",
        "UPDATE outbox SET delivered_at_us = NULL WHERE event_id = 'a'",
        "UPDATE outbox SET delivered_at_us = 6 WHERE event_id = 'a'",
        "UPDATE inbox SET note = 'other' WHERE id = 2",
        "UPDATE inbox SET calibration_id = NULL WHERE id = 2",
        "UPDATE inbox SET answer = 'other' WHERE id = 1",
        "UPDATE inbox SET consumed_seq = NULL WHERE id = 1",
    ]
    assert refused(store_url, statements) == statements


@pytest.mark.usefixtures("filled")
def test_an_event_is_delivered_and_a_command_consumed_once(store_url: str) -> None:
    statements = [
        "UPDATE outbox SET delivered_at_us = 6 WHERE event_id = 'b'",
        "UPDATE inbox SET consumed_seq = 2, applied = (1 = 1), answer = 'done' WHERE id = 2",
    ]
    assert refused(store_url, statements) == []
    assert refused(store_url, statements) == statements


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)  # PostgreSQL has no INSERT OR REPLACE
def test_replacing_a_row_is_refused_like_a_change(filled: Store) -> None:
    with filled.begin() as unit, pytest.raises(DBAPIError, match=REFUSAL):
        unit._connection.exec_driver_sql("INSERT OR REPLACE INTO meta VALUES ('simulated', 'true')")  # noqa: SLF001 - no public way does this


@pytest.mark.usefixtures("filled")
@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)  # SQLite has no TRUNCATE
def test_no_table_can_be_emptied_at_once(store_url: str) -> None:
    statements = [f"TRUNCATE {table} CASCADE" for table in FIXED]
    assert refused(store_url, statements) == statements
