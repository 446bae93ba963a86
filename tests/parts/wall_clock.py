"""A wall clock that a test sets for one process, as clock_settime(2) does; its steady clocks are left alone.

libfaketime 0.9.10 answers EINVAL to clock_nanosleep(2) with an absolute time on a steady clock that it leaves alone: to
each `time.sleep` of Python >= 3.11, also that in which paho's thread waits to connect again, and nothing there catches
it. So a copy is used in which that name is spoiled: whoever looks for it finds the C library's own.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

LIBRARIES = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))


@dataclass(frozen=True, slots=True)
class WallClock:
    """How far ahead of the machine's clock that of a process is; `environment` gives it to the process."""

    folder: Path
    environment: Mapping[str, str]

    def set(self, ahead_s: float) -> None:
        """Set the clock so far ahead of the machine's; the process knows it within a second."""
        new = self.folder / "offset.new"
        new.write_text(f"{ahead_s:+.0f}")
        new.rename(self.folder / "offset")


def wall_clock(folder: Path, zone: str = "UTC") -> WallClock:
    """Return a clock that is right at first, with its files in a folder; skip the test where that cannot be."""
    if not LIBRARIES:
        pytest.skip("libfaketime not found: apt-get install faketime")
    library = folder / "libfaketime.so"
    library.write_bytes(LIBRARIES[0].read_bytes().replace(b"\0clock_nanosleep\0", b"\0-lock_nanosleep\0", 1))
    environment = {
        "LD_PRELOAD": str(library),
        "DONT_FAKE_MONOTONIC": "1",
        "FAKETIME_TIMESTAMP_FILE": str(folder / "offset"),
        "FAKETIME_CACHE_DURATION": "1",
        "TZ": zone,
    }
    made = WallClock(folder, environment)
    made.set(0)
    return made
