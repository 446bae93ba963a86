"""Make the files of the watch for their owner alone (mode 0600), whatever the umask says.

Law: a file that is there already keeps its mode; `vatvigil check` tells which may be opened by others.
"""

import os
import stat
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO, Literal

MODE = 0o600


def opened(path: Path, mode: Literal["ab", "wb", "xb"]) -> BinaryIO:
    """Open a file for writing; made private if it is new. Raises OSError."""
    return open(path, mode, opener=lambda name, flags: os.open(name, flags, MODE))


def make(path: Path) -> None:
    """Make an empty file unless it is there. Raises OSError.

    One that is there is not even opened: closing it again would drop the locks that SQLite holds on it.
    """
    with suppress(FileExistsError):
        os.close(os.open(path.resolve(), os.O_WRONLY | os.O_CREAT | os.O_EXCL, MODE))


def open_to_others(paths: Iterable[Path]) -> list[Path]:
    """Return those files that others than their owner may open, so far as that can be told."""
    return [path for path in paths if _is_open_to_others(path)]


def _is_open_to_others(path: Path) -> bool:
    try:
        mode = path.stat().st_mode
    except OSError:
        return False
    return stat.S_ISREG(mode) and bool(mode & 0o077)
