"""All channels of a configuration as one: what goes out beside the broker, and what counts as delivered without one.

Where there is no broker, an event is delivered when the first channel that wants it has taken it; only events that a
channel wants are made, so the outbox stays empty.
"""

import time
from collections.abc import Callable, Iterable
from typing import Self

from logger.channels import hook, push
from logger.channels.channel import Channel
from logger.channels.process import RunResult
from logger.config import Config
from logger.errors import ThreadCrash
from logger.model import Entry, Event
from logger.structs import Struct

LAST_RUN_S = 1.0
"""How long `stop` waits for the present runs."""


class Channels(Struct, frozen=True, kw_only=True):
    """The channels beside the broker."""

    all: tuple[Channel, ...]

    @classmethod
    def of(cls, config: Config, *, post: Callable[[RunResult | ThreadCrash], None]) -> Self:
        """Return the channels of a configuration; nothing runs before `start`."""
        return cls(all=(*hook.channels(config, post), *push.channels(config, post)))

    def start(self) -> None:
        """Begin."""
        for channel in self.all:
            channel.runner.start()

    def stop(self) -> None:
        """Give the present runs a moment, then kill them; their events are tried again after the next start."""
        until = time.monotonic() + LAST_RUN_S
        for channel in self.all:
            channel.runner.end()
        for channel in self.all:
            channel.runner.stop(max(0.0, until - time.monotonic()))

    def wants(self, event: Event) -> bool:
        """Tell whether any channel wants an event."""
        return any(channel.wants(event) for channel in self.all)

    def offer(self, events: Iterable[Event], now_us: int) -> None:
        """Queue events, each with the channels that want it."""
        made = [*events]
        for channel in self.all:
            channel.offer(made, now_us)

    def pump(self, now_us: int, *, accepted: Iterable[str]) -> dict[tuple[str, str], bool]:
        """Start what is due, without what the broker has accepted.

        Return what was taken since the last call: by channel and event, whether that makes the event delivered where
        there is no broker.
        """
        accepted_ids, taken = [*accepted], dict[tuple[str, str], bool]()
        for channel in self.all:
            channel.forget(accepted_ids)
            channel.pump(now_us)
            taken |= {(channel.id, event.id): self._first(event) is channel for event in channel.take_taken()}
        return taken

    def _first(self, event: Event) -> Channel | None:
        return next((channel for channel in self.all if channel.wants(event)), None)

    @property
    def next_due_us(self) -> int | None:
        """Return when `pump` must be called next if nothing else happens; None: not before something does."""
        return min((due_us for channel in self.all if (due_us := channel.next_due_us) is not None), default=None)

    def on_result(self, result: RunResult, now_us: int, *, at_us: int) -> Entry | None:
        """Handle the result of a run; return what is journalled of it at that UTC, None: nothing."""
        (channel,) = (channel for channel in self.all if channel.id == result.channel)
        return channel.on_result(result, now_us, at_us=at_us)

    @property
    def trouble(self) -> str:
        """Say which channels failed when they were used last; empty: none did."""
        return " ".join(f"{each.program.title} failed: {each.trouble}." for each in self.all if each.trouble)
