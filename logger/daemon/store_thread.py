"""Let a thread of its own wait for the store, so that the loop need not.

Law: one job at a time, in the order asked. The loop waits `ANSWER_S` for the answer at most; once the store was late or
refused, not at all, until it has answered again. A late job goes on: its answer is given to who asks next, so the same
is asked again until then.

A server that hangs, a disk that stalls (worn flash memory does, for tens of seconds) and another process that holds the
store would each hold up the alarms otherwise, and no time limit of the database covers all three.
"""

from collections.abc import Callable
from queue import Empty, SimpleQueue
from threading import Event, Thread
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


class _Answer(Struct, frozen=True):
    """What became of a job."""

    value: Any = None
    error: BaseException | None = None


class StoreThread(Struct):
    """One thread that does jobs with the store. It is a daemon: a job that hangs keeps no process.

    Jobs and answers go through queues: with a `Future` for each an ask took 31 us, so it takes 19.
    """

    name: str
    _jobs: SimpleQueue[Callable[[], Any]] = field(default_factory=SimpleQueue)
    _answers: SimpleQueue[_Answer] = field(default_factory=SimpleQueue)
    _is_running: bool = False
    _is_late: bool = False

    def __post_init__(self) -> None:
        """Begin to wait for jobs."""
        Thread(target=_work, args=(self._jobs, self._answers), name=self.name, daemon=True).start()

    def ask(self, job: Callable[[], T], /) -> T:
        """Do a job, unless the one before still runs: then return the answer of that. StoreBusyError: not yet."""
        if not self._is_running:
            self._jobs.put(job)
        self._is_running = True
        answer = self._answer(0.0 if self._is_late else ANSWER_S)
        self._is_running, self._is_late = False, isinstance(answer.error, StoreBusyError)
        if answer.error is not None:
            raise answer.error
        value: T = answer.value
        return value

    def finish(self, job: Callable[[], object], within_s: float) -> None:
        """Do a last job after what still runs, and wait for it no longer than that."""
        is_done = Event()

        def last() -> None:
            try:
                job()
            finally:
                is_done.set()

        self._jobs.put(last)
        is_done.wait(within_s)

    def _answer(self, patience_s: float) -> _Answer:
        try:
            return self._answers.get(timeout=patience_s)
        except Empty:
            self._is_late = True
            late = f"The store has not answered for {ANSWER_S:g} s: is its disk or server overloaded?"
            raise StoreBusyError(late) from None


def _work(jobs: SimpleQueue[Callable[[], Any]], answers: SimpleQueue[_Answer]) -> None:
    while True:
        job = jobs.get()
        try:
            answer = _Answer(value=job())
        except BaseException as error:  # noqa: BLE001 - the loop raises it again
            answer = _Answer(error=error)
        answers.put(answer)
        del answer, job  # what an error refers to must not outlive it here: it may keep a file open
