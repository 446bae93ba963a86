"""Notify the service manager (systemd's notify protocol, sd_notify(3)): one datagram each.

Law: WATCHDOG=1 is sent only after proof of progress, never from a free timer. Without a manager nothing is sent; one
that does not listen stops no watch.
"""

import logging
import os
import socket

from logger.structs import Struct

log = logging.getLogger(__name__)


class Manager(Struct, frozen=True):
    """The manager's socket; None: nobody manages us."""

    address: str | None

    @classmethod
    def from_environment(cls) -> "Manager":
        """Return the manager that started this process."""
        return cls(os.environ.get("NOTIFY_SOCKET"))

    def ready(self) -> None:
        """Say that the watch has begun."""
        self._send("READY=1")

    def alive(self) -> None:
        """Say that a cycle was completed."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that the end has begun."""
        self._send("STOPPING=1")

    def _send(self, word: str) -> None:
        if self.address is None:
            return
        path = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.setblocking(False)
            try:
                line.sendto(word.encode(), path)
            except OSError as error:
                log.warning("The service manager at %s does not hear %s: %s", self.address, word, error.strerror)
