"""One vat on a real pseudo-terminal with a thermometer that swings, the daemon, a broker and a witness; in real time.

The alarm `temperature-high` comes and goes every `SWING_S`: whatever happens to the daemon, something is always about
to be told.
"""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests.campaign.witness import Count, Select, Witness, in_file
from tests.parts.mosquitto import Mosquitto
from tests.parts.waiting import wait_until
from tests.probe.text_peer import TextPeer

SWING_S = 1.2
PATIENCE_S = 60.0
REFUSED = 2
"""Exit code of a configuration that cannot be used: its manager does not start it again."""
BASE = "campaign"
CONFIGURATION = """\
[store]
{store}
[mqtt]
host = "127.0.0.1"
port = {broker}
base_topic = "campaign"
client_id = "campaign"
heartbeat_s = 1
keepalive_s = 5
[probe.marrow-probe]
port = "{port}"
protocol = "text"
poll_s = 0.3
timeout_s = 0.1
limits.flat_suspect_s = 300
limits.flat_fail_s = 600
[probe.marrow-probe.text]
pattern = '(?P<mv>\\S+) mV (?P<temperature>\\S+) C'
example = "171.2 mV 20.1 C"
query = "READ?"
query_end = "\\n"
[vat.marrow]
name = "Marrow"
probe = "marrow-probe"
[vat.marrow.alarm.temperature-high]
setpoint = 25
deadband = 0
on_delay_s = 0
window_s = 0
priority = "high"
[people]
zone = "{zone}"
{more}"""


def swinging(*, at_rest: bool = False) -> bytes:
    """Return what the instrument says now; at rest it is cold and stays so."""
    warm = not at_rest and time.monotonic() % SWING_S > SWING_S / 2
    noise = int(time.monotonic() * 1e4) % 97 / 100
    return f"{171 + noise:.2f} mV {(25.01 if warm else 24.9) + noise / 50:.3f} C\r\n".encode()


@dataclass(slots=True, kw_only=True)
class Bench:
    """What runs, and what can be done to it."""

    folder: Path
    broker: Mosquitto
    witness: Witness
    select: Select
    peer: TextPeer
    environment: Mapping[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    prefix: tuple[str, ...] = ()
    """Before the daemon's command line."""
    unasked: int = 0
    """Ends of the daemon that nobody asked for."""

    @property
    def file(self) -> Path:
        """Return the store's file."""
        return self.folder / "log.sqlite"

    @property
    def log(self) -> str:
        """Return what the daemon printed over all its starts."""
        return (self.folder / "daemon.log").read_text(errors="replace")

    def start(self, *, stderr: int | None = None, options: Sequence[str] = ()) -> None:
        """Start the daemon; it is left to its imports. `stderr`: where its log goes instead."""
        command = [*self.prefix, sys.executable, "-P", "-m", "logger", "run", "-c", str(self.folder / "vatvigil.toml")]
        command += options
        with (self.folder / "daemon.log").open("ab") as log:
            environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", **self.environment}
            self.process = subprocess.Popen(
                command,
                stdout=log,
                stderr=log if stderr is None else stderr,
                stdin=subprocess.DEVNULL,
                env=environment,
                cwd=self.folder,
            )

    def watch(self, annunciations: int = 1) -> None:
        """Wait until so many more alarms were heard."""
        before = len(self.witness.occurrences)
        self.until(lambda: len(self.witness.occurrences) >= before + annunciations, f"{annunciations} annunciations")

    def until(self, met: Callable[[], bool], what: str) -> None:
        """Wait; an end of the daemon that nobody asked for is counted, and mended as its manager would."""

        def looked() -> bool:
            if self.process is not None and self.process.poll() is not None:
                assert self.process.returncode != REFUSED, self.log[-1500:]
                self.unasked += 1
                self.start()
            return met()

        wait_until(looked, PATIENCE_S, lambda: f"{what}: {self.log[-1500:]}")

    def send(self, number: signal.Signals) -> None:
        """Send the daemon a signal."""
        assert self.process is not None
        self.process.send_signal(number)

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """End the daemon by a signal; return its exit code."""
        assert self.process is not None
        with suppress(ProcessLookupError):
            self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        self.process = None
        return code

    def look(self) -> None:
        """Let the witness look into the store."""
        self.witness.look(self.select)

    def settle(self) -> None:
        """Let all that waits be told, and end the daemon in good order."""
        self.watch()
        self._tell_all()
        assert self.end() == 0
        self.peer.answer = lambda _: [(0.0, swinging())]
        self.until(self._all_heard, "everything to be heard")

    def verdict_after_telling(self) -> Count:
        """Let all that waits be told and heard while the daemon runs; return what the witness finds."""
        self._tell_all()
        count = self.witness.verdict(self.select)
        self.peer.answer = lambda _: [(0.0, swinging())]
        return count

    def _tell_all(self) -> None:
        """Let nothing new happen to the vat, and wait until all that did was told."""
        self.peer.answer = lambda _: [(0.0, swinging(at_rest=True))]
        time.sleep(SWING_S)
        self.until(lambda: self._all_told() and self._all_heard(), "everything to be told")

    def _all_told(self) -> bool:
        return self.select("SELECT count(*) FROM outbox WHERE delivered_at_us IS NULL") == [(0,)]

    def _all_heard(self) -> bool:
        names = {event["event_id"] for event in self.witness.events}
        stored = self.select('SELECT event_id FROM outbox WHERE payload LIKE \'%"cause":"annunciated"%\'')
        return {name for (name,) in stored} <= names or len(stored) == 0


@contextmanager
def bench(
    folder: Path,
    broker: Mosquitto,
    *,
    store: str = 'path = "log.sqlite"',
    more: str = "",
    zone: str = "UTC",
    select: Select | None = None,
    way: int | None = None,
) -> Iterator[Bench]:
    """Lay out a bench; the daemon is not started. `way`: the port by which it comes to the broker."""
    folder.mkdir(exist_ok=True)
    port = folder / "tty"
    text = CONFIGURATION.format(store=store, broker=way or broker.port, port=port, zone=zone, more=more)
    (folder / "vatvigil.toml").write_text(text)
    with ExitStack() as stack:
        peer = stack.enter_context(TextPeer(port))
        peer.answer = lambda _: [(0.0, swinging())]
        witness = stack.enter_context(Witness(broker.port, BASE))
        made = Bench(
            folder=folder, broker=broker, witness=witness, select=select or in_file(folder / "log.sqlite"), peer=peer
        )
        try:
            yield made
        finally:
            if made.process is not None:
                made.end(signal.SIGKILL)
            print(f"----- {folder}\n{made.log[:2500]}\n...\n{made.log[-2000:]}")
