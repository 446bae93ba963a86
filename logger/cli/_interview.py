"""Ask questions at the terminal, check each answer when it is given, and keep the answers.

Law: an answer that cannot be used is asked for again with the reason; none is lost. Each one is in a private file
before the next question is asked, so whoever is interrupted goes on where they were; no password is ever in it. That
file, and not a half-written configuration, for a watch must not start with what nobody decided.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import click
import msgspec

from logger import private_file
from logger.cli._common import folded

T = TypeVar("T")


@dataclass(slots=True)
class Interview:
    """The questions of one sitting. `given`: answers from options; `asks` false: nothing is asked."""

    given: dict[str, Any]
    path: Path
    """Where answers are kept."""
    asks: bool
    kept: dict[str, str] = field(default_factory=dict)

    def resume(self) -> None:
        """Take up the answers of an interview that was interrupted; they are offered again."""
        if not self.asks:
            return
        try:
            self.kept = msgspec.json.decode(self.path.read_bytes(), type=dict[str, str])
        except (OSError, msgspec.DecodeError):
            return
        say("Your answers of before are offered again: Enter keeps each.")

    def answer(
        self,
        key: str,
        question: str,
        default: str,
        parse: Callable[[str], T],
        *,
        trouble: Callable[[T], str] = lambda _: "",
    ) -> T:
        """Return the answer: by its option, else by asking, else the default. Raises click.UsageError for an option.

        `trouble` says what is wrong with a value that can be read; empty: nothing.
        """
        if self.given.get(key) is not None or not self.asks:
            return _value(str(default if self.given.get(key) is None else self.given[key]), key, parse, trouble)
        while True:
            text = click.prompt(question, default=self.kept.get(key, default), type=str)
            try:
                value = parse(text)
            except click.BadParameter as error:
                say(f"{error.message}.")
                continue
            if wrong := trouble(value):
                say(wrong)
                continue
            self._keep(key, str(value) if isinstance(value, str) else text)
            return value

    def confirm(self, question: str, *, default: bool) -> bool:
        """Return whether somebody says yes."""
        return bool(click.confirm(question, default=default))

    def _keep(self, key: str, text: str) -> None:
        self.kept[key] = text
        with private_file.opened(self.path, "wb") as stream:
            stream.write(msgspec.json.format(msgspec.json.encode(self.kept)))

    def forget(self) -> None:
        """Remove the kept answers: they stand in the configuration now."""
        self.path.unlink(missing_ok=True)


def _value(text: str, key: str, parse: Callable[[str], T], trouble: Callable[[T], str]) -> T:
    """Return the value of an option. Raises click.UsageError."""
    option = f"--{key.replace('_', '-')}"
    try:
        value = parse(text)
    except click.BadParameter as error:
        raise click.UsageError(f"{option}: {error.message}.") from None
    if wrong := trouble(value):
        raise click.UsageError(f"{option}: {wrong}")
    return value


def say(text: str) -> None:
    """Print a remark below a question."""
    click.echo(folded(text, indent=2))
