"""Makes the channels of push: one a service, which brings events to people without a hub.

Law: no part of an address is in a sentence but its scheme: hosts and paths may be tokens. A service gets events of high
priority that no person caused, reminders of any priority, the morning summary, and what is said of the target; in quiet
hours only what wakes, the rest when they end.

Each service is a channel of its own: one that fails neither holds up nor repeats what another takes. The library runs
in a process of its own (`push_sender.py`), which the channel kills when it hangs; its memory is the daemon's for a
second or two a message. Addresses go to it by its standard input: arguments and environments can be seen by others.
A service is known to the store by its place in the list, for a hash of an address would give it away; when the list
changes, only what waits just then may come twice or by another of them.
"""

import re
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from urllib.parse import unquote

import msgspec

from logger.alarm import quiet_hours
from logger.channels.channel import Channel
from logger.channels.process import SHORTEST_SECRET, Program, RunResult
from logger.config import Config, PeopleConfig, Priority, PushConfig
from logger.errors import ThreadCrash
from logger.model import Cause, Event
from logger.mqtt.event import is_urgent
from logger.units import SECOND_US
from logger.watch.rehearsal import TEST

_REMINDERS = {Cause.REMINDER, Cause.REALARM, Cause.RAISED}
_OF_TARGET = {Cause.READING_AT_TARGET, Cause.MEASURED_AT_TARGET}
_WANTED = {*_REMINDERS, *_OF_TARGET, Cause.DIGEST}
_COMMAND = (sys.executable, "-P", str(Path(__file__).with_name("push_sender.py")))


class _Told(msgspec.Struct):
    """What a push needs of an event's payload."""

    cause: str
    vat: str | None
    alarm: str | None
    priority: str | None
    by: str
    text: str
    lines: tuple[str, ...]
    simulated: bool


class PushMessage(msgspec.Struct, frozen=True, kw_only=True):
    """What a service is asked to bring, and the service; `push_sender.py` reads it as JSON."""

    url: str
    title: str
    body: str
    kind: str
    """info, success, warning or failure: the library's types of a notification."""


def channels(config: Config, post: Callable[[RunResult | ThreadCrash], None]) -> list[Channel]:
    """Return a channel for each service of the configuration."""
    return [] if config.push is None else [*_channels(config, config.push, post)]


def _channels(config: Config, push: PushConfig, post: Callable[[RunResult | ThreadCrash], None]) -> Iterator[Channel]:
    people = next((vat.people for vat in config.vats), PeopleConfig())
    speed = config.simulation.speed if config.simulation else 1.0
    is_backup = push.only_if_broker_fails and config.mqtt is not None
    for number, url in enumerate(push.urls, start=1):
        yield Channel(
            program=Program(
                channel=f"push-{number}",
                title=title(number, url),
                command=_COMMAND,
                input_of=partial(_input, url),
                timeout_s=push.timeout_s,
                secrets=secrets_of(url),
                tells_why=True,
            ),
            wants=wants,
            retries=push.retries,
            spared=is_backup,
            after_s=push.after_s if is_backup else 0.0,
            held_s=partial(held_s, people, speed),
            failed=Cause.PUSH_FAILED,
            subject=title(number, url),
            remedy="Look whether the service works, and try it: `vatvigil rehearse`",
            post=post,
        )


def title(number: int, url: str) -> str:
    """Return what people read of a service: its place in the list and its scheme."""
    return f"Push service {number} ({url.partition('://')[0]})"


def wants(event: Event) -> bool:
    """Tell whether an event is pushed."""
    told = msgspec.json.decode(event.payload, type=_Told)
    return is_urgent(event) or (told.cause in _WANTED and not told.by)


def held_s(people: PeopleConfig, speed: float, event: Event) -> float:
    """Return how long (real seconds) quiet hours hold an event; the summary has a time of its own."""
    told = msgspec.json.decode(event.payload, type=_Told)
    span = quiet_hours.quiet_span(people, event.at_us)
    if span.audible is None or told.priority in span.audible or told.cause == Cause.DIGEST:
        return 0.0
    return (span.end_us - event.at_us) / SECOND_US / speed


def secrets_of(url: str) -> tuple[str, ...]:
    """Return what may be secret of an address: each word behind its scheme, as written and as it may be repeated."""
    words = re.split(r"[/:@?&=#,+;]+", url.partition("://")[2])
    spelt = {each for word in words for each in (word, unquote(word), word.lower(), unquote(word).lower())}
    return tuple(sorted(word for word in spelt if len(word) >= SHORTEST_SECRET))


def _input(url: str, event: Event) -> str:
    return msgspec.json.encode(message_of(event, url)).decode()


def message_of(event: Event, url: str) -> PushMessage:
    """Return what a service is asked to bring of an event."""
    told = msgspec.json.decode(event.payload, type=_Told)
    marks = ["SIMULATED"] * told.simulated + ["TEST"] * (told.alarm == TEST)
    heading = ": ".join([*marks, _heading(told)])
    return PushMessage(url=url, title=heading, body="\n".join(told.lines) or told.text, kind=_kind(told))


def _heading(told: _Told) -> str:
    subject = f"{told.vat or 'system'} {told.alarm or ''}".strip()
    if told.cause == Cause.DIGEST:
        return f"Morning summary of {subject}"
    if told.cause == Cause.ANNUNCIATED:
        return f"ALARM {subject}"
    return f"{subject}: {told.cause.replace('-', ' ')}"


def _kind(told: _Told) -> str:
    if told.cause in (Cause.RETURNED, Cause.MEASURED_AT_TARGET):
        return "success"
    kinds = {Priority.HIGH.value: "failure", Priority.MEDIUM.value: "warning"}
    return "info" if told.cause == Cause.DIGEST else kinds.get(told.priority or "", "info")
