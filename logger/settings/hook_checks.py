"""What the table of the second way out must mean to be used. Pure but for a look at the executable.

Law: no argument is part of a sentence: it may be a secret.
"""

import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from logger.config import HookConfig
from logger.settings import ranges
from logger.settings.problems import Problem, written

_COMMAND: Final = ("hook", "command")
_FIRST: Final = 'write command = ["/path/to/executable", "argument"]'


def hook_problems(hook: HookConfig) -> Iterator[Problem]:
    """Yield what is wrong with the second way out."""
    yield from ranges.between(("hook", "after_s"), hook.after_s, low=0, high=86400)
    yield from ranges.between(("hook", "timeout_s"), hook.timeout_s, low=0.1, high=600)
    yield from ranges.between(("hook", "retries"), hook.retries, low=0, high=1000)
    if hook.command and any("\0" in part for part in hook.command):
        yield Problem(key=_COMMAND, reason="no argument can hold a NUL", remedy="remove it")
    elif hook.command:
        yield from _executable(Path(hook.command[0]))


def _wrong(executable: str, reason: str, remedy: str) -> Problem:
    """Return a problem that shows the executable, but none of its arguments."""
    return Problem(key=_COMMAND, value=written(("hook", "executable"), executable), reason=reason, remedy=remedy)


def _executable(path: Path) -> Iterator[Problem]:
    """Check the first part of the command: what runs as this user must be nobody else's to change."""
    if not path.is_absolute():
        reason = "the executable must be named by its whole path; no shell reads this"
        yield Problem(key=_COMMAND, reason=reason, remedy=_FIRST)
        return
    try:
        mode, folder = path.stat().st_mode, path.parent.stat().st_mode
    except OSError as error:
        shown, blank, _ = str(path).partition(" ")  # what follows may be arguments that were not parted from it
        remedy = f"{_FIRST}: each argument is a text of its own" if blank else "check its path"
        yield _wrong(shown, f"the executable cannot be found ({error.strerror})", remedy)
        return
    if not stat.S_ISREG(mode) or not os.access(path, os.X_OK):
        yield _wrong(str(path), "this user cannot execute it", "name a file and give it mode 755")
    elif mode & stat.S_IWOTH:
        yield _wrong(str(path), "every user may change it, and it would run as this one", "give it mode 755")
    elif folder & stat.S_IWOTH and not folder & stat.S_ISVTX:
        reason = "every user may put another file in its place, and it would run as this one"
        yield _wrong(str(path), reason, f"give {path.parent} mode 755")
