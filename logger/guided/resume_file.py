"""Keep the points of a session that has not ended yet, in a file beside the store.

Law: a draft changes nothing and is nobody's calibration; it only spares a person the glasses already done when the
session was cut off. One that is older than an hour is not gone on with: buffers and bath are no longer the same.
"""

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from logger import private_file
from logger.errors import RefusedError
from logger.guided.state_machine import TakenPoint
from logger.units import SECOND_US

OLDEST_S = 3600.0
"""Common practice, no source."""


@dataclass(frozen=True, slots=True)
class ResumeFile:
    """Where the draft of a probe is kept; without a path (the store is no file) nothing is."""

    path: Path | None

    @classmethod
    def beside(cls, store: Path | None, probe: str) -> "ResumeFile":
        """Return the draft of a probe whose store is this file."""
        return cls(None if store is None else store.with_name(f"{store.name}.{probe}.draft.json"))

    def keep(self, points: Sequence[TakenPoint]) -> None:
        """Keep the points, in place of those before; a folder that cannot be written to is no reason to stop."""
        if self.path is None:
            return
        new = self.path.with_suffix(".new")
        with contextlib.suppress(OSError):
            with private_file.opened(new, "wb") as file:
                file.write(msgspec.json.encode(list(points)))
            new.replace(self.path)

    def drop(self) -> None:
        """Forget the points."""
        if self.path is not None:
            with contextlib.suppress(OSError):
                self.path.unlink(missing_ok=True)

    def read(self, *, at_us: int) -> tuple[TakenPoint, ...]:
        """Return the points that are young enough to go on with; none if there are none that can be read."""
        if self.path is None:
            return ()
        try:
            points = msgspec.json.decode(self.path.read_bytes(), type=list[TakenPoint])
        except (OSError, msgspec.DecodeError):
            return ()
        return tuple(one for one in points if abs(at_us - one.at_us) <= OLDEST_S * SECOND_US)

    def resumed(self, *, at_us: int) -> tuple[TakenPoint, ...]:
        """Return the points to go on with. Raises RefusedError when there are none."""
        points = self.read(at_us=at_us)
        if not points:
            raise RefusedError("no session was cut off within the last hour: begin without --resume")
        return points
