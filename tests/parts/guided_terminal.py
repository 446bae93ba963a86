"""A person at the bench: a command of ours in a terminal of 80 columns, and a simulated probe moved by hand."""

import fcntl
import os
import re
import signal
import struct
import subprocess
import sys
import termios
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field

import pexpect
import pytest
from pexpect.fdpexpect import fdspawn

from tests.parts.daemon import PATIENCE_S, Night

ROWS, COLUMNS = 60, 80
_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


@dataclass(slots=True)
class Terminal:
    """A command in a terminal, seen as a person sees it."""

    process: subprocess.Popen[bytes]
    screen: fdspawn
    seen: list[str] = field(default_factory=list)

    def see(self, *texts: str, seconds: float = PATIENCE_S) -> int:
        """Wait until one of the texts (blanks and line ends alike) is seen; return which."""
        patterns = [r"\s+".join(map(re.escape, text.split())) for text in texts]
        try:
            found = int(self.screen.expect(patterns, timeout=seconds))
        except (pexpect.TIMEOUT, pexpect.EOF) as error:
            raise AssertionError(f"{texts} was not seen within {seconds} s; seen:\n{self.text[-4000:]}") from error
        finally:
            self.seen.append(f"{self.screen.before}{'' if isinstance(self.screen.after, type) else self.screen.after}")
        return found

    def press(self, key: str = "\r") -> None:
        """Press a key; nothing: Enter."""
        self.screen.send(key)

    @property
    def text(self) -> str:
        """All that was seen so far, without what draws it."""
        return _ESCAPES.sub("", "".join(self.seen))

    def ended(self) -> int:
        """Wait for the end; return the exit code."""
        with suppress(pexpect.TIMEOUT, pexpect.EOF, OSError):
            self.screen.expect(pexpect.EOF, timeout=PATIENCE_S)
        self.seen.append(str(self.screen.before))
        return self.process.wait(PATIENCE_S)

    def signal(self, number: signal.Signals) -> None:
        """Send a signal."""
        self.process.send_signal(number)

    def take(self) -> None:
        """Wait until it is stable and take it; one that moved just then, or is not known yet, is waited for again."""
        for _ in range(20):
            self.see("STABLE: press Enter")
            self.press()
            if self.see("Taken:", "Not yet:", "Which buffer is it?") == 0:
                return
        raise AssertionError(f"nothing was taken; seen:\n{self.text[-4000:]}")

    def take_in(self, night: Night, words: str) -> None:
        """Put the probe somewhere, say so, wait and take."""
        self.put(night, words)
        self.press()
        self.take()

    def put(self, night: Night, words: str) -> None:
        """Put the probe somewhere once the picture asks for it."""
        self.see("it is in the buffer")
        night.simulators[0].hear(words)


Run = Callable[..., Terminal]


@pytest.fixture
def terminal() -> Iterator[Run]:
    """Return a function that runs `vatvigil ...` over a night's configuration in a terminal."""
    made: list[tuple[Terminal, int]] = []

    def run(night: Night, *arguments: str) -> Terminal:
        master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        command = [sys.executable, "-P", "-m", "logger", *arguments, "-c", str(night.config_file)]
        environment = {**os.environ, "TERM": "xterm", "OPENBLAS_NUM_THREADS": "1", "USER": "tova"}
        process = subprocess.Popen(
            command, stdin=slave, stdout=slave, stderr=slave, env=environment, start_new_session=True
        )
        os.close(slave)
        made.append((Terminal(process, fdspawn(master, encoding="utf-8", codec_errors="replace")), master))
        return made[-1][0]

    yield run
    for one, master in made:
        if one.process.poll() is None:
            one.process.kill()
        one.process.wait(PATIENCE_S)
        with suppress(OSError):
            os.close(master)
        print(f"----- {' '.join(map(str, one.process.args))}\n{one.text}")  # type: ignore[arg-type]
