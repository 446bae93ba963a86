"""A process that makes an archive: `python -m tests.store.archiver URL FILE BEFORE [STEP]`; it kills itself there."""

import os
import signal
import sys
from itertools import count
from pathlib import Path

from logger.store import Store, archive, archive_plan, archive_removal, archive_rows

PIECE = 250
"""Few rows a transaction, so that there are many."""


def main(url: str, file: Path, before_us: int, last: int | None) -> None:
    """Do what `vatvigil archive make` does."""
    archive_rows.PIECE = PIECE
    steps = count()

    def after(_: str) -> None:
        if next(steps) == last:
            os.kill(os.getpid(), signal.SIGKILL)

    deleted = archive_removal.guarded_again

    def in_the_midst(*arguments: object) -> None:
        after("before the guard is back")
        deleted(*arguments)  # type: ignore[arg-type] # as they come
        after("before the commit")

    archive_removal.guarded_again = in_the_midst  # type: ignore[assignment] # the same, and a moment to be killed at
    with Store.open(url, simulated=False) as store:
        store.claim()
        note = archive.begun(store, file, simulated=False)
        if note is None:
            plan = archive_plan.plan(store, before_us=before_us)
            note = archive.make(store, plan, file, simulated=False, at_us=before_us, after=after)
        else:
            note = archive.verify(file, simulated=False)
        archive.finish(store, file, note, simulated=False, after=after)
        archive.shrink(store)
    print("done", flush=True)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]) if len(sys.argv) > 4 else None)
