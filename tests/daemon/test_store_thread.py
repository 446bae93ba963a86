"""A store that is late holds up the loop once, and never doubles or loses what it was asked."""

import threading
import time

import pytest

from logger.daemon import store_thread
from logger.daemon.store_thread import StoreThread
from logger.errors import StoreBusyError
from tests.parts.waiting import wait_until


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store_thread, "ANSWER_S", 0.05)


def test_a_late_job_is_waited_for_once_done_once_and_its_answer_is_the_next() -> None:
    thread, may_end, done = StoreThread("late"), threading.Event(), []

    def job() -> int:
        may_end.wait(30)
        done.append(1)
        return len(done)

    with pytest.raises(StoreBusyError, match="has not answered"):
        thread.ask(job)
    began = time.monotonic()
    for _ in range(100):
        with pytest.raises(StoreBusyError):
            thread.ask(job)
    assert time.monotonic() - began < 1.0  # not 100 times 0.05 s
    may_end.set()
    wait_until(lambda: bool(done), 30)
    time.sleep(0.05)
    assert (thread.ask(job), done) == (1, [1])


def test_after_a_refusal_the_loop_does_not_wait_until_the_store_has_answered_again() -> None:
    thread, refused = StoreThread("refused"), StoreBusyError("full")

    def refuse() -> None:
        raise refused

    with pytest.raises(StoreBusyError, match="full"):
        thread.ask(refuse)
    with pytest.raises(StoreBusyError, match="has not answered"):
        thread.ask(lambda: time.sleep(0.02))
    time.sleep(0.2)
    thread.ask(lambda: None)
    assert thread.ask(lambda: 7) == 7


def test_what_nobody_expected_comes_out_where_it_was_asked() -> None:
    def broken() -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        StoreThread("broken").ask(broken)
