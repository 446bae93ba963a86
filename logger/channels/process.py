"""Runs a program with an event on its standard input, in a thread of its own. It decides nothing and stores nothing.

Law: no shell; one run at a time; when a run ends, by itself or at its time limit, its whole process group is killed.
Its output is read as it comes and only the beginning is kept; what may be secret is redacted in it. Only results are
posted to the main loop.

A program can be killed whatever hangs in it, a name that no server resolves too; a thread cannot.
"""

import logging
import os
import selectors
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from queue import SimpleQueue
from threading import Thread

from logger.errors import ThreadCrash
from logger.model import Event
from logger.structs import Struct

log = logging.getLogger(__name__)

KEPT_BYTES = 200
"""How much of what a program prints is logged."""
REDACTED = "***"
SHORTEST_SECRET = 4
"""Shorter arguments are no secrets, and their letters are everywhere."""
CHUNK_BYTES = 65536
POLL_S = 0.05
"""How often the end of the program is looked for."""
FLOOD_PAUSE_S = 0.01
"""A pause after each chunk of a flood: the full pipe blocks its writer, and the watch gets the processor."""
LAST_CHUNKS = 16
"""How many chunks the pipe of an ended program may still hold: 64 KiB (pipe(7)), up to 1 MiB if it was widened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """What is run for each event of a channel."""

    channel: str
    """The id of the channel."""
    title: str
    """What the log calls it."""
    command: tuple[str, ...] = field(repr=False)
    input_of: Callable[[Event], str] = field(repr=False)
    """Makes the line that it reads; far shorter than what an empty pipe holds."""
    timeout_s: float
    secrets: tuple[str, ...] = field(repr=False)
    """Words that must not be logged."""
    tells_why: bool = False
    """What it prints says why it failed; else its exit code is all that is told."""


class RunResult(Struct, frozen=True):
    """The program of a channel was run for an event; `trouble` says why that failed, empty: it did not."""

    channel: str
    event: str
    trouble: str


class Output(Struct):
    """The beginning of what a run printed, how long the whole was, and whether the run had to be cut short."""

    beginning: bytes = b""
    length: int = 0
    is_cut: bool = False
    secrets: tuple[str, ...] = ()
    """Words that must not be logged."""

    def append(self, chunk: bytes) -> None:
        """Add a chunk of output."""
        self.beginning += chunk[: KEPT_BYTES - len(self.beginning)]
        self.length += len(chunk)

    def __str__(self) -> str:
        """Return it on one line, shortened, everything but printable ASCII escaped."""
        more = f"... ({self.length} bytes)" if self.length > len(self.beginning) else ""
        return ascii(self._redacted().strip()) + more

    def _redacted(self) -> str:
        """Return the beginning with stars for each secret, also for one that is cut off by the end."""
        text = self.beginning.decode(errors="replace")
        for word in sorted(self.secrets, key=len, reverse=True):
            text = text.replace(word, REDACTED)
            cut = next(
                (size for size in range(len(word) - 1, SHORTEST_SECRET - 1, -1) if text.endswith(word[:size])), 0
            )
            text = text[: len(text) - cut] + REDACTED * bool(cut)
        return text


def secrets_of(arguments: Sequence[str]) -> tuple[str, ...]:
    """Return what may be secret of a command's arguments: each, and what follows its first `=`."""
    words = [*arguments, *(argument.partition("=")[2] for argument in arguments)]
    return tuple(word for word in words if len(word) >= SHORTEST_SECRET)


@dataclass(slots=True, kw_only=True)
class Runner:
    """The thread and its queue of events: one run of the program for each."""

    program: Program
    post: Callable[[RunResult | ThreadCrash], None]
    _jobs: SimpleQueue[Event | None] = field(default_factory=SimpleQueue)
    _thread: Thread = field(init=False)
    _hurried: bool = False

    def __post_init__(self) -> None:
        """Prepare the thread; it is a daemon, so that nothing that hangs there keeps the process."""
        self._thread = Thread(target=self._run, name=self.program.channel, daemon=True)

    def start(self) -> None:
        """Begin to wait for events."""
        self._thread.start()

    def submit(self, event: Event) -> None:
        """Run the program for an event as soon as the present run is over; returns at once."""
        self._jobs.put(event)

    def end(self) -> None:
        """Take no more events; returns at once."""
        self._jobs.put(None)

    def stop(self, patience_s: float) -> None:
        """End after the present run; kill that when it takes longer than the patience (s)."""
        self.end()
        self._thread.join(patience_s)
        self._hurried = True
        self._thread.join(1.0)

    def _run(self) -> None:
        try:
            while (event := self._jobs.get()) is not None:
                trouble = self._run_for(event)
                if not (trouble and self._hurried):  # a run that `stop` ended is no failure
                    self.post(RunResult(self.program.channel, event.id, trouble))
        except BaseException as error:  # noqa: BLE001 - the main loop raises it again
            self.post(ThreadCrash(error))

    def _run_for(self, event: Event) -> str:
        """Run the program with the event on its standard input; return what went wrong."""
        try:
            process = subprocess.Popen(  # noqa: S603 - a list that the user configured and settings checked; no shell
                self.program.command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                cwd="/",
                env=_environment(),
                start_new_session=True,
            )
        except OSError as error:
            return f"it cannot be started ({error.strerror})"
        with process:
            try:
                output = self._communicate(process, event)
            finally:
                _kill(process)
        log.info("%s said on event %s: %s", self.program.title, event.id, output)
        return self._trouble(process.returncode, output)

    def _communicate(self, process: subprocess.Popen[bytes], event: Event) -> Output:
        """Send the event, and read the output until the process ends or its time is over."""
        if process.stdin is None or process.stdout is None:
            raise AssertionError("both are pipes")
        end, output = time.monotonic() + self.program.timeout_s, Output(secrets=self.program.secrets)
        with suppress(BrokenPipeError), process.stdin as pipe:  # it need not read it
            pipe.write(self.program.input_of(event).encode() + b"\n")
        os.set_blocking(process.stdout.fileno(), False)
        with selectors.DefaultSelector() as ready:
            ready.register(process.stdout, selectors.EVENT_READ)
            while process.poll() is None and time.monotonic() < end and not self._hurried:
                if not ready.get_map():
                    time.sleep(POLL_S)
                elif ready.select(POLL_S) and not _read_chunk(process.stdout.fileno(), output):
                    ready.unregister(process.stdout)  # it closed its output and goes on
                if output.length > CHUNK_BYTES:
                    time.sleep(FLOOD_PAUSE_S)
        output.is_cut = process.poll() is None
        for _ in range(LAST_CHUNKS):
            if not _read_chunk(process.stdout.fileno(), output):
                break
        return output

    def _trouble(self, code: int, output: Output) -> str:
        if output.is_cut:
            return f"it was killed after its time limit of {self.program.timeout_s:g} s"
        if code < 0:
            return f"it was ended by signal {-code}"
        if code and self.program.tells_why and output.length:
            return str(output)
        return f"it ended with exit code {code}" if code else ""


def _read_chunk(descriptor: int, output: Output) -> bool:
    """Read what is in the pipe; return whether anything was."""
    try:
        chunk = os.read(descriptor, CHUNK_BYTES)
    except BlockingIOError:
        return False
    output.append(chunk)
    return bool(chunk)


def _kill(process: subprocess.Popen[bytes]) -> None:
    """Kill the process and all that it left in its group."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)


def _environment() -> dict[str, str]:
    """Return the environment without our settings (secrets among them) and the service manager's socket."""
    ours = ("VATVIGIL_", "NOTIFY_SOCKET", "WATCHDOG_")
    return {name: value for name, value in os.environ.items() if not name.startswith(ours)}
