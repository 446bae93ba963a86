"""Define the errors, by who can mend them.

    VatvigilError
    |-- ConfigurationError    the user's: exit 2, never restarted; says file, key, reason, remedy
    |-- RefusedError          the user's: a command that cannot be carried out as given; exit 1
    |-- StoreError            the disk's or the database's
    |   `-- StoreBusyError    expected: locked, full, away; records wait in memory and commit later
    `-- BrokerError           the broker's: away, refused, wrong password

A probe that does not answer is no error: it is a record with the reason (`model.Reason`).
Anything that is not a VatvigilError is ours (a bug): it ends the process with a non-zero code.
"""

from dataclasses import dataclass


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


class BrokerError(VatvigilError):
    """The broker cannot be reached or refuses us."""


@dataclass(frozen=True, slots=True)
class ThreadCrash:
    """A thread met what nobody expected; the process must end."""

    error: BaseException
