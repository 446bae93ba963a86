"""The thread that runs the executable of the second way out. It decides nothing and writes nothing.

Law: no shell; one run at a time; when a run is over, by itself or at its time limit, its whole process group is killed.
Whatever it prints is read, a little of it is kept, none of it is awaited; its arguments, which may be secret, are
blotted out of it. Only results are posted to the main loop.
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

from logger.config import HookConfig
from logger.errors import ThreadCrash
from logger.model import Event

log = logging.getLogger(__name__)

KEPT_BYTES = 200
"""How much of what the executable prints is logged."""
BLOT = "***"
SHORTEST = 4
"""Shorter arguments are no secrets, and their letters are everywhere."""
CHUNK_BYTES = 65536
LOOK_S = 0.05
"""How often it is looked whether the executable has ended."""
BREATH_S = 0.01
"""A pause after each chunk of a flood: a full pipe holds up whoever floods it, and the watch has the processor."""
LAST_CHUNKS = 16
"""What lies in the pipe of an ended executable: it holds 64 KiB (pipe(7)), or up to 1 MiB where somebody widened it."""


@dataclass(frozen=True, slots=True)
class HookResult:
    """The executable was run for an event; `trouble` says why that failed, empty: it did not."""

    event: str
    trouble: str


@dataclass(slots=True)
class HookOutput:
    """The beginning of what a run printed, how long the whole was, and whether the run had to be cut short."""

    beginning: bytes = b""
    length: int = 0
    is_cut: bool = False
    hidden: tuple[str, ...] = ()
    """What is not to be repeated."""

    def hear(self, chunk: bytes) -> None:
        """Take in some more."""
        self.beginning += chunk[: KEPT_BYTES - len(self.beginning)]
        self.length += len(chunk)

    def __str__(self) -> str:
        """Return it on one line, shortened, everything but printable ASCII escaped."""
        more = f"... ({self.length} bytes)" if self.length > len(self.beginning) else ""
        return ascii(self._shown().strip()) + more

    def _shown(self) -> str:
        """Return the beginning with stars for each hidden word, also for one that is cut off by the end."""
        text = self.beginning.decode(errors="replace")
        for word in sorted(self.hidden, key=len, reverse=True):
            text = text.replace(word, BLOT)
            cut = next((size for size in range(len(word) - 1, SHORTEST - 1, -1) if text.endswith(word[:size])), 0)
            text = text[: len(text) - cut] + BLOT * bool(cut)
        return text


def hidden(arguments: Sequence[str]) -> tuple[str, ...]:
    """Return what is not to be repeated of a command's arguments: each, and what stands behind its first `=`."""
    words = [*arguments, *(argument.partition("=")[2] for argument in arguments)]
    return tuple(word for word in words if len(word) >= SHORTEST)


@dataclass(slots=True, kw_only=True)
class Runner:
    """One executable, run for one event after the other in a thread of its own."""

    config: HookConfig
    post: Callable[[HookResult | ThreadCrash], None]
    _jobs: SimpleQueue[Event | None] = field(default_factory=SimpleQueue)
    _thread: Thread = field(init=False)
    _hurried: bool = False

    def __post_init__(self) -> None:
        """Prepare the thread; it is a daemon, so that nothing that hangs there keeps the process."""
        self._thread = Thread(target=self._run, name="hook", daemon=True)

    def start(self) -> None:
        """Begin to wait for events."""
        self._thread.start()

    def tell(self, event: Event) -> None:
        """Run the executable for an event as soon as the present run is over; returns at once."""
        self._jobs.put(event)

    def stop(self, patience_s: float) -> None:
        """End after the present run; kill that when it takes longer than the patience (s)."""
        self._jobs.put(None)
        self._thread.join(patience_s)
        self._hurried = True
        self._thread.join(1.0)

    def _run(self) -> None:
        try:
            while (event := self._jobs.get()) is not None:
                trouble = self._told(event)
                if not (trouble and self._hurried):  # what was stopped is no failure
                    self.post(HookResult(event.id, trouble))
        except BaseException as error:  # noqa: BLE001 - the main loop raises it again
            self.post(ThreadCrash(error))

    def _told(self, event: Event) -> str:
        """Run the executable with the event on its standard input; return what went wrong."""
        try:
            process = subprocess.Popen(  # noqa: S603 - a list that the user configured and settings checked; no shell
                self.config.command,
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
                said = self._attended(process, event)
            finally:
                _kill(process)
        log.info("The second way out said on event %s: %s", event.id, said)
        return self._trouble(process.returncode, is_cut=said.is_cut)

    def _attended(self, process: subprocess.Popen[bytes], event: Event) -> HookOutput:
        """Hand over the event, and hear what is said until the process ends or its time is over."""
        if process.stdin is None or process.stdout is None:
            raise AssertionError("both are pipes")
        end, said = time.monotonic() + self.config.timeout_s, HookOutput(hidden=hidden(self.config.command[1:]))
        with suppress(BrokenPipeError), process.stdin as line:  # it need not listen
            line.write(event.payload.encode() + b"\n")  # an event is far shorter than what an empty pipe holds
        os.set_blocking(process.stdout.fileno(), False)
        with selectors.DefaultSelector() as ready:
            ready.register(process.stdout, selectors.EVENT_READ)
            while process.poll() is None and time.monotonic() < end and not self._hurried:
                if not ready.get_map():
                    time.sleep(LOOK_S)
                elif ready.select(LOOK_S) and not _hear(process.stdout.fileno(), said):
                    ready.unregister(process.stdout)  # it closed its end and goes on
                if said.length > CHUNK_BYTES:
                    time.sleep(BREATH_S)
        said.is_cut = process.poll() is None
        for _ in range(LAST_CHUNKS):
            if not _hear(process.stdout.fileno(), said):
                break
        return said

    def _trouble(self, code: int, *, is_cut: bool) -> str:
        if is_cut:
            return f"it was killed after its time limit of {self.config.timeout_s:g} s"
        if code < 0:
            return f"it was ended by signal {-code}"
        return f"it ended with exit code {code}" if code else ""


def _hear(descriptor: int, said: HookOutput) -> bool:
    """Take in what lies in the pipe; return whether anything did."""
    try:
        chunk = os.read(descriptor, CHUNK_BYTES)
    except BlockingIOError:
        return False
    said.hear(chunk)
    return bool(chunk)


def _kill(process: subprocess.Popen[bytes]) -> None:
    """Kill the process and all that it left in its group."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)


def _environment() -> dict[str, str]:
    """Return our environment without what is ours: settings (secrets among them) and the manager's socket."""
    ours = ("VATVIGIL_", "NOTIFY_SOCKET", "WATCHDOG_")
    return {name: value for name, value in os.environ.items() if not name.startswith(ours)}
