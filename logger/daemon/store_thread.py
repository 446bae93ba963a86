"""Let a thread of its own wait for the store, so that the loop need not.

Law: one job at a time, in the order asked. The loop waits `ANSWER_S` for the answer at most; once the store was late or
refused, not at all, until it has answered again. A late job goes on: its answer is given to who asks next, so the same
is asked again until then.

A server that hangs, a disk that stalls (worn flash memory does, for tens of seconds) and another process that holds the
store would each hold up the alarms otherwise, and no time limit of the database covers all three.
"""

from collections.abc import Callable
from concurrent.futures import Future, wait
from queue import SimpleQueue
from threading import Thread
from typing import Any, Protocol, TypeVar

from logger.errors import StoreBusyError
from logger.structs import Struct, field

T = TypeVar("T")
ANSWER_S = 1.0
"""How long the loop waits for a store that has answered so far. Common practice, no source."""


class Ask(Protocol):
    """Does a job with the store and returns its answer; StoreBusyError: ask the same again."""

    def __call__(self, job: Callable[[], T], /) -> T:
        """Do it."""
        ...


def at_once(job: Callable[[], T], /) -> T:
    """Do a job in the caller's thread: for who may wait."""
    return job()


class StoreThread(Struct):
    """One thread that does jobs with the store. It is a daemon: a job that hangs keeps no process."""

    name: str
    _jobs: SimpleQueue[tuple[Future[Any], Callable[[], Any]]] = field(default_factory=SimpleQueue)
    _running: Future[Any] | None = None
    _is_late: bool = False

    def __post_init__(self) -> None:
        """Begin to wait for jobs."""
        Thread(target=_work, args=(self._jobs,), name=self.name, daemon=True).start()

    def ask(self, job: Callable[[], T], /) -> T:
        """Do a job, unless the one before still runs: then return the answer of that. StoreBusyError: not yet."""
        return self._ask(job, 0.0 if self._is_late else ANSWER_S)

    def finish(self, job: Callable[[], object], within_s: float) -> None:
        """Do a last job after what still runs, and wait for it no longer than that."""
        last: Future[Any] = Future()
        self._jobs.put((last, job))
        wait([last], within_s)

    def _ask(self, job: Callable[[], T], patience_s: float) -> T:
        running = self._running or self._submit(job)
        try:
            error = running.exception(patience_s)
        except TimeoutError:
            self._is_late = True
            late = f"The store has not answered for {ANSWER_S:g} s: is its disk or server overloaded?"
            raise StoreBusyError(late) from None
        self._running, self._is_late = None, isinstance(error, StoreBusyError)
        answer: T = running.result()
        return answer

    def _submit(self, job: Callable[[], Any]) -> Future[Any]:
        self._running = Future()
        self._jobs.put((self._running, job))
        return self._running


def _work(jobs: SimpleQueue[tuple[Future[Any], Callable[[], Any]]]) -> None:
    while True:
        future, job = jobs.get()
        try:
            future.set_result(job())
        except BaseException as error:  # noqa: BLE001 - the loop raises it again
            future.set_exception(error)
        del future, job  # what an error refers to must not outlive it here: it may keep a file open
