"""Everything that must outlive the process, changed in one transaction a cycle.

Law: `Store` and `UnitOfWork` are the only ways in; `queries` and `history` only read.
"""

from logger.store.store import Store
from logger.store.unit_of_work import UnitOfWork

__all__ = ["Store", "UnitOfWork"]
