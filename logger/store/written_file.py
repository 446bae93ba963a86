"""Look whether an SQLite file is still what was written last: SQLite would write on into the void.

Neither a store's file nor its write-ahead log gets smaller while they are open, nor is another in their place.
"""

import os
from pathlib import Path

from logger.errors import StoreBusyError, StoreDamagedError

_LOG_BEGINS = (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83")


class WrittenFile:
    """The file of a store and its write-ahead log as the last commit left them; of a server's store, nothing."""

    __slots__ = ("_file", "_log", "_log_path", "_path")

    def __init__(self, path: Path | None) -> None:
        """Note the file as it is; `path` None: the store has none."""
        self._path = None if path is None else str(path)
        self._log_path = f"{path}-wal"
        self._file = None if path is None else path.stat()
        self._log: os.stat_result | None = None

    def check(self) -> None:
        """Look whether it is still so.

        Raises StoreBusyError if it is no longer where it was, StoreDamagedError if it or its write-ahead log was cut
        short or taken away. Of the file only the name is looked at: to open and close it here would end SQLite's locks
        on it (https://www.sqlite.org/howtocorrupt.html, 2.2). There are none on the log, whose first bytes are looked
        at: one that was cut short in a commit has a hole there.
        """
        if self._path is None or self._file is None:
            return
        now = _stat(self._path)
        if now is None:
            raise StoreBusyError(f"The store {self._path} was moved or deleted: put it back")
        if not os.path.samestat(now, self._file):
            raise StoreBusyError(f"Another file took the place of the store {self._path}: put it back, or start anew")
        if now.st_size < self._file.st_size:
            raise StoreDamagedError(f"The store {self._path} was cut short")
        if self._log is not None and self._is_log_lost(self._log):
            raise StoreDamagedError(f"The write-ahead log of the store {self._path} was deleted or cut short")

    def _is_log_lost(self, before: os.stat_result) -> bool:
        """Tell whether the log is no longer what it was; one in which nothing was written yet has no first bytes."""
        is_smaller = _grown(before, _stat(self._log_path)) is before
        return is_smaller or (before.st_size > 0 and not _has_header(self._log_path))

    def note(self) -> None:
        """Note how large the file and its write-ahead log are after a commit.

        What shrank or went in the midst of that commit stays noted as it was, so that the next look finds it.
        """
        if self._path is None or self._file is None:
            return
        self._file = _grown(self._file, _stat(self._path))
        log = _stat(self._log_path)
        self._log = (log or self._file) if self._log is None else _grown(self._log, log)  # a commit leaves a log

    def forget_log(self, *_: object) -> None:
        """Forget the write-ahead log: SQLite makes another one when all connections were closed."""
        self._log = None


def _has_header(log: str) -> bool:
    """Tell whether the log begins as the file format says (https://www.sqlite.org/fileformat2.html, 4.1)."""
    try:
        descriptor = os.open(log, os.O_RDONLY | os.O_CLOEXEC)
        try:
            return os.read(descriptor, 4) in _LOG_BEGINS
        finally:
            os.close(descriptor)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise StoreBusyError(f"The write-ahead log {log} of the store cannot be read ({error})") from error


def _grown(before: os.stat_result, now: os.stat_result | None) -> os.stat_result:
    """Return what is there now if it is the same file and no smaller, else what was."""
    if now is None or not os.path.samestat(now, before) or now.st_size < before.st_size:
        return before
    return now


def _stat(path: str) -> os.stat_result | None:
    try:
        return os.stat(path)  # noqa: PTH116 - each commit asks four times, and a Path takes four times as long
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StoreBusyError(f"The store {path} cannot be looked at ({error}): is its disk still there?") from error
