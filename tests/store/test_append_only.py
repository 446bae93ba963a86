"""The database itself refuses to change or delete what was stored."""

import pytest
from sqlalchemy import create_engine
from sqlalchemy.exc import DBAPIError

from logger.model import Answer
from logger.store import Store
from logger.store.engine import parse
from tests.store.making import calibration, command, entry, event, measurements, outcome

FIXED = ["meta", "run", "calibration", "measurement", "journal", "outbox", "inbox"]
REFUSAL = "are never changed or deleted"


@pytest.fixture
def filled(store: Store) -> Store:
    with store.begin() as unit:
        run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
        made = unit.add_calibration(calibration())
        unit.add_events([event("a"), event("b")], {"a": 5})
        answer = Answer(command=unit.add_command(command()), seq=1, applied=True, text="done")
        unit.add_command(command(calibration=made))
        unit.append(outcome(measurements(1, 2), entries=[entry()], answers=[answer]), run=run)
        unit.commit()
    return store


def execute(url: str, statement: str) -> None:
    """As any other program would, past everything of ours but the database."""
    engine = create_engine(parse(url))
    try:
        with engine.begin() as connection:
            connection.exec_driver_sql(statement)
    finally:
        engine.dispose()


@pytest.mark.usefixtures("filled")
@pytest.mark.parametrize("table", FIXED)
def test_no_row_can_be_deleted(store_url: str, table: str) -> None:
    with pytest.raises(DBAPIError, match=REFUSAL):
        execute(store_url, f"DELETE FROM {table}")  # noqa: S608 - the name stands above


@pytest.mark.usefixtures("filled")
@pytest.mark.parametrize(
    "change",
    [
        "meta SET value = 'true'",
        "run SET version = '9'",
        "calibration SET slope = 1",
        "measurement SET ph = 4.1",
        "journal SET text = ''",
        "outbox SET payload = '' WHERE event_id = 'b'",
        "outbox SET delivered_at_us = 6, vat = 'other' WHERE event_id = 'b'",
        "outbox SET delivered_at_us = NULL WHERE event_id = 'a'",
        "outbox SET delivered_at_us = 6 WHERE event_id = 'a'",
        "inbox SET note = 'other' WHERE id = 2",
        "inbox SET calibration_id = NULL WHERE id = 2",
        "inbox SET answer = 'other' WHERE id = 1",
        "inbox SET consumed_seq = NULL WHERE id = 1",
    ],
)
def test_no_row_can_be_changed_but_for_its_one_completion(store_url: str, change: str) -> None:
    with pytest.raises(DBAPIError, match=REFUSAL):
        execute(store_url, f"UPDATE {change}")


@pytest.mark.usefixtures("filled")
@pytest.mark.parametrize(
    "change", ["outbox SET delivered_at_us = 6 WHERE event_id = 'b'", "inbox SET consumed_seq = 2 WHERE id = 2"]
)
def test_an_event_is_delivered_and_a_command_consumed_once(store_url: str, change: str) -> None:
    execute(store_url, f"UPDATE {change}")
    with pytest.raises(DBAPIError, match=REFUSAL):
        execute(store_url, f"UPDATE {change}")


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)  # PostgreSQL has no INSERT OR REPLACE
def test_replacing_a_row_is_refused_like_a_change(filled: Store) -> None:
    with filled.begin() as unit, pytest.raises(DBAPIError, match=REFUSAL):
        unit._connection.exec_driver_sql("INSERT OR REPLACE INTO meta VALUES ('simulated', 'true')")  # noqa: SLF001 - no public way does this


@pytest.mark.usefixtures("filled")
@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)  # SQLite has no TRUNCATE
@pytest.mark.parametrize("table", FIXED)
def test_no_table_can_be_emptied_at_once(store_url: str, table: str) -> None:
    with pytest.raises(DBAPIError, match=REFUSAL):
        execute(store_url, f"TRUNCATE {table} CASCADE")
