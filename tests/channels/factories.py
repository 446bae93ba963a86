"""Executables, and events that an alarm would make."""

from pathlib import Path
from queue import SimpleQueue

from logger.channels import Channel, RunResult, hook, push
from logger.channels.process import Runner
from logger.config import Config, HookConfig, MqttConfig, PushConfig
from logger.errors import ThreadCrash
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


def event(number: int = 1, *, simulated: bool = True, **more: object) -> Event:
    values: dict[str, object] = {
        "seq": number,
        "at_us": EPOCH_US + number,
        "vat": "marrow",
        "cause": Cause.ANNUNCIATED,
        "alarm": "ph-high",
        "occurrence": number,
        "annunciates": True,
        "priority": "high",
        "text": f"pH {number}",
    }
    made = event_of(Entry(**{**values, **more}), simulated=simulated)  # type: ignore[arg-type] # fields of Entry
    assert made is not None
    return made


class Post(SimpleQueue[RunResult | ThreadCrash]):
    """The main loop's queue."""

    def next(self) -> RunResult | ThreadCrash:
        return self.get(timeout=30)


def config_of(hook: HookConfig | None = None, push: PushConfig | None = None) -> Config:
    return Config(store_url="", probes=(), vats=(), mqtt=MqttConfig(), hook=hook, push=push)


def hook_channel(
    post: Post, *command: str | Path, after_s: float = 60.0, timeout_s: float = 10.0, retries: int = 2
) -> Channel:
    parts = tuple(map(str, command))
    config = HookConfig(command=parts, after_s=after_s, timeout_s=timeout_s, retries=retries)
    (channel,) = hook.channels(config_of(config), post.put)
    return channel


def push_channels(post: Post, config: PushConfig) -> list[Channel]:
    return push.channels(config_of(push=config), post.put)


def runner(post: Post, *command: str | Path, timeout_s: float = 10.0) -> Runner:
    made = hook_channel(post, *command, timeout_s=timeout_s).runner
    made.start()
    return made
