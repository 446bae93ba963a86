"""A fixture that starts real simulators, each a process with a port of its own, and stops them."""

import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import NamedTemporaryFile

import pytest

from tests.parts.waiting import wait_until

PATIENCE_S = 60.0


@dataclass(frozen=True, slots=True)
class SimulatorProcess:
    """A running simulator and what a client opens to speak to it."""

    port: str
    process: subprocess.Popen[str]
    log: Path
    """What it says on standard error: each command that it has executed, among other things."""

    def hear(self, words: str) -> None:
        """Say on its standard input what somebody does with the probe; return once it is done."""
        assert self.process.stdin is not None
        before = self._executed(words)
        self.process.stdin.write(f"{words}\n")
        self.process.stdin.flush()
        wait_until(lambda: self._executed(words) > before, PATIENCE_S, lambda: f"the simulator does {words!r}")

    def _executed(self, words: str) -> int:
        return self.log.read_text(encoding="utf-8").splitlines().count(f"simulator: {words}")


Start = Callable[..., SimulatorProcess]


@pytest.fixture
def simulator() -> Iterator[Start]:
    """Return a function that starts `python -m simulator serve RUN ...`; whatever it started is stopped at the end."""
    with ExitStack() as stack:

        def start(
            run: str,
            *,
            seed: int = 1,
            speed: float = 1.0,
            link: Path | None = None,
            tcp: bool = False,
            extra: Sequence[str] = (),
        ) -> SimulatorProcess:
            options = ["--seed", str(seed), "--speed", str(speed), *extra]
            options += ["--link", str(link)] if link else []
            options += ["--tcp", "127.0.0.1:0"] if tcp else []
            command = [sys.executable, "-P", "-m", "simulator", "serve", run, *options]
            log = stack.enter_context(NamedTemporaryFile())
            process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                env=_environment(),
            )
            stack.callback(_stop, process)
            assert process.stdout is not None
            line = process.stdout.readline()
            assert line.startswith("port: "), f"{command} printed {line!r} instead of its port"
            return SimulatorProcess(line.removeprefix("port: ").strip(), process, Path(log.name))

        yield start


def _environment() -> dict[str, str]:
    """Return this process's environment; one thread is enough, more only slow the start."""
    return {**os.environ, "OPENBLAS_NUM_THREADS": "1"}


def _stop(process: subprocess.Popen[str]) -> None:
    process.terminate()
    try:
        process.wait(timeout=5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(timeout=5)
    for end in filter(None, (process.stdin, process.stdout)):
        end.close()
