"""Define the errors, by who can mend them.

    VatvigilError
    |-- ConfigurationError    the user's: exit 2, never restarted; says file, key, reason, remedy
    |-- RefusedError          the user's: a command that cannot be carried out as given; exit 1
    |-- StoreError            the disk's or the database's
    |   |-- StoreBusyError    expected: locked, full, away; records wait in memory and commit later
    |   `-- StoreDamagedError the file is no sound database any more: it is set aside, and another one begun
    `-- BrokerError           the broker's: away, refused, wrong password

A probe that does not answer is no error: it is a record with the reason (`model.Reason`).
Anything that is not a VatvigilError is ours (a bug): it ends the process with a non-zero code. Not so where something
from outside is read or carried out (`refusing`): sent again at each start, it would end every watch.
"""

import logging
from collections.abc import Iterator
from contextlib import contextmanager

from logger.structs import Struct

log = logging.getLogger(__name__)


class VatvigilError(Exception):
    """Something expected went wrong; the message says what, where and what to do."""


class ConfigurationError(VatvigilError):
    """The configuration cannot be used; the message lists every problem found, one a line."""


class RefusedError(VatvigilError):
    """A request cannot be carried out as given; the message says why and what to do."""


class StoreError(VatvigilError):
    """The store cannot be used."""


class StoreBusyError(StoreError):
    """The store cannot take a write now (locked, full, away); try the same again later."""


class StoreDamagedError(StoreError):
    """The file of the store is damaged, or a part of it is gone."""


class BrokerError(VatvigilError):
    """The broker cannot be reached or refuses us."""


@contextmanager
def refusing(what: str) -> Iterator[None]:
    """Let whatever is raised at something from outside become its refusal: the one door that all of it comes through.

    Only what changes nothing when it raises may stand in the block.
    """
    try:
        yield
    except RefusedError:
        raise
    except Exception as error:
        log.exception("What came from outside (%s) met a fault of this program; it is refused", what)
        raise RefusedError(
            f"this version of vatvigil cannot carry it out ({type(error).__name__}): please report that, with the log"
        ) from error


class ThreadCrash(Struct, frozen=True):
    """A thread met what nobody expected; the process must end."""

    error: BaseException
