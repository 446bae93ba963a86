"""Tell whether every probe is read on time: what the service manager and the dead man's switch are told of progress.

Law: one working port masks no hung one. Time is real and steady; only the main loop asks.
"""

import time
from collections.abc import Iterable

from logger.structs import Struct, field

HUNG_S, HUNG_POLLS = 60.0, 3
"""A port not read for so long and so many polls hangs: only a new process may help. Common practice, no source."""


class Progress(Struct):
    """When each probe was read last."""

    poll_s: dict[str, float]
    """By probe, the real time between two reads."""
    _read_s: dict[str, float] = field(default_factory=dict)
    _unread: set[str] = field(default_factory=set)

    def begin(self) -> None:
        """Count from now: none was read in this run yet."""
        self._read_s = dict.fromkeys(self.poll_s, time.monotonic())
        self._unread = {*self.poll_s}

    def note(self, probes: Iterable[str]) -> None:
        """Note that these were read just now."""
        read = {*probes}
        self._read_s.update(dict.fromkeys(read, time.monotonic()))
        self._unread -= read

    @property
    def is_on_time(self) -> bool:
        """Tell whether every probe was read, or this run began, within its time limit."""
        now_s = time.monotonic()
        return all(now_s - read_s < HUNG_S + HUNG_POLLS * self.poll_s[probe] for probe, read_s in self._read_s.items())

    @property
    def is_whole(self) -> bool:
        """Tell whether every probe was read in this run, and is on time."""
        return not self._unread and self.is_on_time
