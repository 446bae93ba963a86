"""Connect to PostgreSQL so that no statement is waited for without end.

Law: a server that does not answer for `answer_s` is lost, whatever its kernel says; its connection is given up.

The limits of the server (`lock_timeout`) need a server that runs, those of the network (`tcp_user_timeout`) a link that
breaks: a server that hangs while its kernel acknowledges what it gets is seen by a limit of the client alone.
"""

from typing import Any, TypeVar

from psycopg import Connection, OperationalError
from psycopg.abc import PQGen

T = TypeVar("T")


class BoundedConnection(Connection[Any]):
    """A connection with a limit on every wait for the server."""

    answer_s: float = 0.0
    """Seconds; 0: no limit."""

    def wait(self, gen: PQGen[T], interval: float = 0.1, timeout: float | None = None) -> T:
        """Wait for the server. Raises OperationalError when it does not answer in time."""
        limit_s = timeout or self.answer_s or None
        try:
            return super().wait(gen, interval, limit_s)
        except OperationalError as error:
            if type(error).__name__ != "_WaitTimeout":
                raise
            self.pgconn.finish()  # what it does when it wakes is not known; nothing more is asked of it
            raise OperationalError(f"the server has not answered for {limit_s:g} s") from None
