"""Read the care diary from the store."""

from sqlalchemy import select

from logger.model import CareEntry
from logger.store import rows
from logger.store.store import Store
from logger.store.tables import care_entry


def diary(store: Store, probe: str | None = None) -> list[CareEntry]:
    """Return the entries of the care diary in the order in which they were entered; of a probe also its buffers."""
    wanted = [] if probe is None else [care_entry.c.probe.in_(["", probe])]
    statement = select(care_entry).where(*wanted).order_by(care_entry.c.id)
    with store.reading() as connection:
        return [rows.read_care_entry(row) for row in connection.execute(statement).mappings()]
