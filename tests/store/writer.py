"""A process that stores until it is killed: `python -m tests.store.writer URL [bytes]`.

It prints the number of each record after its commit. Each commit also puts that number into the carry and an event, so
that a commit torn apart would show. With `bytes` no file may grow beyond that size until the store has said it is full.
"""

import resource
import sys

from logger.errors import StoreBusyError
from logger.model import Outcome, WindowState
from logger.store import Store, queries
from tests.store.factories import carry, event, measurements, outcome


def main(url: str, limit: int | None) -> None:
    with Store.open(url, simulated=False) as store:
        last = queries.last_position(store, "marrow-probe")
        with store.begin() as unit:
            run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
            unit.commit()
        set_limit(limit)
        seq = last.seq if last else 0
        while True:
            seq += 1
            step = outcome(measurements(seq, 1), carry=carry(windows=WindowState(fresh_us=seq)))
            append(store, step, run)
            print(seq, flush=True)


def append(store: Store, step: Outcome, run: int) -> None:
    while True:
        try:
            with store.begin() as unit:
                unit.append(step, run=run)
                unit.add_events([event(f"event {step.measurements.seq[0]}")])
                unit.commit()
        except StoreBusyError as error:
            print("busy:", error, flush=True)
            set_limit(None)
        else:
            return


def set_limit(limit: int | None) -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit or resource.RLIM_INFINITY, resource.RLIM_INFINITY))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else None)
