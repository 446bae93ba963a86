"""A database that refuses for a while: nothing is lost, and the same outcome goes in later."""

import itertools
import os
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import psycopg
import pytest

from logger.errors import StoreBusyError, StoreDamagedError
from logger.model import Answer, Command, Outcome
from logger.store import Store, history, queries
from tests.parts.postgres import Postgres
from tests.store.conftest import Opener
from tests.store.factories import bits, carry, command, entry, event, measurements, outcome

HOLDER = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.read()
"""


def append(store: Store, step: Outcome, *events: str, commands: Sequence[Command] = ()) -> None:
    with store.begin() as unit:
        run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
        unit.append(step, run=run)
        unit.add_events(event(name) for name in events)
        for added in commands:
            unit.add_command(added)
        unit.commit()


def stored(store: Store) -> list[int]:
    return [
        int(seq) for span in history.spans(store) for piece in history.indications(store, span) for seq in piece.seq
    ]


@contextmanager
def held_by_another_process(store: Store, url: str) -> Iterator[None]:
    if store.path is None:
        with psycopg.connect(url) as other:
            other.execute("LOCK TABLE measurement IN ACCESS EXCLUSIVE MODE")
            yield
        return
    command_line = [sys.executable, "-c", HOLDER, str(store.path)]
    with subprocess.Popen(command_line, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        yield
        holder.communicate()


def test_a_locked_database_takes_the_same_outcome_later(store: Store, store_url: str) -> None:
    step = outcome(measurements(1, 3), entries=[entry()], carry=carry())
    with held_by_another_process(store, store_url):
        started = time.monotonic()
        with pytest.raises(StoreBusyError, match=r"takes no write now \(.*lock.*it is tried again"):
            append(store, step)
        assert time.monotonic() - started < 2  # busy_s is 0.2 here
    append(store, step)
    assert stored(store) == [1, 2, 3]
    assert queries.entries(store, limit=9) == [entry()]


@pytest.fixture
def small(sqlite_url: str, opened: Opener) -> Store:
    store = opened(sqlite_url)
    limit_pages(store, 24)
    return store


def limit_pages(store: Store, count: int) -> None:
    with store.begin() as unit:  # the pragma belongs to the writer's connection, which no public name gives
        unit._connection.exec_driver_sql(f"PRAGMA max_page_count = {count}")  # noqa: SLF001


def test_a_full_database_loses_nothing_and_goes_on_in_order_when_there_is_space(small: Store) -> None:
    steps = (outcome(measurements(first, 100)) for first in itertools.count(1, 100))
    waiting = next(step for step in steps if not fits(small, step))
    kept = stored(small)
    assert kept == list(range(1, int(waiting.measurements.seq[0])))
    assert not fits(small, waiting)
    limit_pages(small, 1000)
    append(small, waiting)
    append(small, next(steps))
    assert stored(small) == list(range(1, len(kept) + 201))


def fits(store: Store, step: Outcome) -> bool:
    try:
        append(store, step)
    except StoreBusyError as error:
        return "the disk is full: free some space" not in str(error)
    return True


def test_a_disk_that_takes_no_more_bytes_loses_nothing(sqlite_url: str, opened: Opener) -> None:
    store = opened(sqlite_url)
    limit = "300000"  # RLIMIT_FSIZE: the write-ahead log hits it after some dozens of commits
    command_line = [sys.executable, "-m", "tests.store.writer", sqlite_url, limit]
    with subprocess.Popen(command_line, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        lines = list(itertools.islice(writer.stdout, 200))
        writer.kill()
    numbers = [int(line) for line in lines if not line.startswith("busy")]
    assert len(lines) - len(numbers) == 1, lines
    assert numbers == list(range(1, 200))
    assert stored(store)[:199] == numbers


def test_a_store_that_was_moved_away_takes_nothing_until_it_is_back(sqlite_url: str, opened: Opener) -> None:
    store = opened(sqlite_url)
    path = Path(str(store.path))
    append(store, outcome(measurements(1, 1)))
    path.rename(path.with_name("elsewhere"))
    with pytest.raises(StoreBusyError, match="was moved or deleted: put it back"):
        append(store, outcome(measurements(2, 1)))
    path.write_bytes(b"")
    with pytest.raises(StoreBusyError, match="Another file took the place"):
        append(store, outcome(measurements(2, 1)))
    path.with_name("elsewhere").rename(path)
    append(store, outcome(measurements(2, 1)))
    assert stored(store) == [1, 2]


def test_a_server_that_cut_the_connection_takes_the_same_outcome_at_once(
    postgres: Postgres, postgres_url: str, opened: Opener
) -> None:
    store = opened(postgres_url)
    append(store, outcome(measurements(1, 1)))
    postgres.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'vatvigil'")
    with pytest.raises(StoreBusyError, match="it is tried again"):
        append(store, outcome(measurements(2, 1)))
    append(store, outcome(measurements(2, 1)))
    with pytest.raises(StoreBusyError, match="it is tried again"):
        stored(store)  # the reader's connection was cut too
    assert stored(store) == [1, 2]


def test_a_server_that_was_away_takes_the_same_outcome_when_it_is_back(
    postgres: Postgres, postgres_url: str, opened: Opener
) -> None:
    store = opened(postgres_url)
    append(store, outcome(measurements(1, 1)))
    postgres.stop()
    try:
        for _ in range(2):
            with pytest.raises(StoreBusyError, match="it is tried again") as refusal:
                append(store, outcome(measurements(2, 1)))
            assert postgres.password not in str(refusal.value)
        with pytest.raises(StoreBusyError, match="the connection was lost"):
            opened(postgres_url)
    finally:
        postgres.start()
    append(store, outcome(measurements(2, 1)))
    append(store, outcome(measurements(3, 1)))
    with Store.open(postgres_url, simulated=False, read_only=True) as status:
        assert stored(status) == [1, 2, 3]


class LosingProxy:
    """Passes bytes on to a server; when armed, the answer to the next COMMIT gets lost together with the connection."""

    def __init__(self, port: int) -> None:
        self._server = ("127.0.0.1", port)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._threads: list[threading.Thread] = []
        self.port = self._listener.getsockname()[1]
        self.armed = False
        self._start(self._accept)

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for thread in self._threads:
            thread.join(5)

    def _start(self, work: object, *arguments: object) -> None:
        self._threads.append(threading.Thread(target=work, args=arguments))  # type: ignore[arg-type]  # as Thread checks
        self._threads[-1].start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            server = socket.create_connection(self._server)
            lost = threading.Event()
            self._start(self._pump, client, server, lost, True)
            self._start(self._pump, server, client, lost, False)

    def _pump(self, source: socket.socket, target: socket.socket, lost: threading.Event, outward: bool) -> None:  # noqa: FBT001 - a thread's argument
        while data := receive(source):
            if outward and self.armed and b"COMMIT" in data:
                self.armed = False
                lost.set()
            if not outward and lost.is_set():
                break  # the server has committed, nobody hears of it
            with suppress(OSError):
                target.sendall(data)
        with suppress(OSError):
            target.shutdown(socket.SHUT_RDWR)  # wakes the other pump, which closes it
        source.close()


def receive(source: socket.socket) -> bytes:
    try:
        return source.recv(65536)
    except OSError:
        return b""


def test_a_commit_whose_answer_got_lost_is_not_stored_twice(
    postgres: Postgres, postgres_url: str, opened: Opener
) -> None:
    with closing(LosingProxy(postgres.port)) as proxy:
        store = opened(postgres_url.replace(f":{postgres.port}/", f":{proxy.port}/"))
        with store.begin() as unit:
            answer = Answer(command=unit.add_command(command()), seq=1, applied=True)
            unit.commit()
        step = outcome(measurements(1, 3), entries=[entry()], answers=[answer], carry=carry())
        proxy.armed = True
        with pytest.raises(StoreBusyError, match="the connection was lost"):
            append(store, step, "a", "b", commands=[command(note="stirred")])
        append(store, step, "a", "b", commands=[command(note="stirred")])
        append(store, outcome(measurements(4, 1), entries=[entry(4)]), "c", commands=[command(note="salted")])
        store.close()
    direct = opened(postgres_url)
    assert stored(direct) == [1, 2, 3, 4]
    assert queries.entries(direct, limit=9) == [entry(), entry(4)]
    assert [waiting.id for waiting in queries.unsent_events(direct, 9)] == ["a", "b", "c"]
    assert [waiting.note for waiting in queries.pending_commands(direct)] == ["stirred", "salted"]
    assert queries.answer(direct, answer.command) == answer


def test_a_commit_that_did_fail_is_stored_by_the_second_attempt(store: Store, store_url: str) -> None:
    with held_by_another_process(store, store_url), pytest.raises(StoreBusyError):
        append(store, outcome(measurements(1, 3)))
    store._writer.in_doubt = True  # type: ignore[union-attr]  # noqa: SLF001 - as after a commit that raised
    append(store, outcome(measurements(1, 3)), "a")
    found = queries.load_watch(store, "marrow", "marrow-probe", recent=9)
    assert found is not None
    assert bits(found.recent) == bits(measurements(1, 3))
    assert queries.unsent_events(store, 9) == [event("a")]


def test_a_damaged_page_is_no_passing_trouble(sqlite_url: str, opened: Opener) -> None:
    store = opened(sqlite_url)
    append(store, outcome(measurements(1, 500)))
    store.close()
    path = Path(str(store.path))
    content = bytearray(path.read_bytes())
    content[8192:] = b"\xff" * (len(content) - 8192)
    path.write_bytes(content)
    with pytest.raises(Exception, match="damaged") as refusal:
        opened(sqlite_url, migrate=False)
    assert not isinstance(refusal.value, (StoreBusyError, sqlite3.Error))


def test_a_log_in_which_nothing_was_written_yet_is_not_missed(sqlite_url: str, opened: Opener) -> None:
    opened(sqlite_url).close()
    store = opened(sqlite_url)
    for _ in range(2):
        with store.begin() as work:
            work.commit()
    append(store, outcome(measurements(1, 1)))


@pytest.mark.parametrize("harm", [Path.unlink, lambda log: os.truncate(log, 0)], ids=["deleted", "cut short"])
def test_a_log_that_goes_in_the_midst_of_a_commit_is_missed_by_the_next(
    sqlite_url: str, opened: Opener, harm: Callable[[Path], None]
) -> None:
    store = opened(sqlite_url)
    append(store, outcome(measurements(1, 1)))
    with store.begin() as work:
        work.append(outcome(measurements(2, 1)), run=1)
        harm(Path(f"{store.path}-wal"))
        work.commit()
    with pytest.raises(StoreDamagedError, match="was deleted or cut short"):
        append(store, outcome(measurements(3, 1)))
