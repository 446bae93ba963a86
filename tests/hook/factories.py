"""Executables, and events that an alarm would make."""

from pathlib import Path
from queue import SimpleQueue

from logger.config import HookConfig
from logger.errors import ThreadCrash
from logger.hook import Hook, HookResult
from logger.hook.runner import Runner
from logger.model import Cause, Entry, Event
from logger.mqtt.event import event_of
from tests.series import EPOCH_US

SECOND_US = 1_000_000


def script(folder: Path, text: str, name: str = "hook") -> Path:
    """Write a real executable; `$0.d` is a folder of its own."""
    path = folder / name
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)
    (folder / f"{name}.d").mkdir(exist_ok=True)
    return path


def event(number: int = 1, *, priority: str = "high", by: str = "") -> Event:
    entry = Entry(
        seq=number,
        at_us=EPOCH_US + number,
        vat="marrow",
        cause=Cause.ANNUNCIATED,
        alarm="ph-high",
        occurrence=number,
        annunciates=True,
        priority=priority,
        by=by,
        text=f"pH {number}",
    )
    made = event_of(entry, simulated=True)
    assert made is not None
    return made


class Post(SimpleQueue[HookResult | ThreadCrash]):
    """The main loop's queue."""

    def next(self) -> HookResult | ThreadCrash:
        return self.get(timeout=30)


def config_of(*command: str | Path, timeout_s: float = 10.0, retries: int = 2) -> HookConfig:
    return HookConfig(command=tuple(map(str, command)), timeout_s=timeout_s, retries=retries)


def runner(post: Post, *command: str | Path, timeout_s: float = 10.0) -> Runner:
    made = Runner(config=config_of(*command, timeout_s=timeout_s), post=post.put)
    made.start()
    return made


def hook(post: Post, *command: str | Path, after_s: float = 60.0, retries: int = 2) -> Hook:
    return Hook(config=config_of(*command, retries=retries), after_s=after_s, post=post.put)
