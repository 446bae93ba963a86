"""Makes the channel of the hook: an executable that gets urgent events which the broker does not accept."""

from collections.abc import Callable

from logger.channels.channel import Channel
from logger.channels.process import Program, RunResult, secrets_of
from logger.config import Config
from logger.errors import ThreadCrash
from logger.model import Cause, Event
from logger.mqtt.event import is_urgent

ID = "hook"


def channels(config: Config, post: Callable[[RunResult | ThreadCrash], None]) -> list[Channel]:
    """Return the channel of the hook, if the configuration has one."""
    if config.hook is None:
        return []
    program = Program(
        channel=ID,
        title="The second way out",
        command=config.hook.command,
        input_of=_json_of,
        timeout_s=config.hook.timeout_s,
        secrets=secrets_of(config.hook.command[1:]),
    )
    channel = Channel(
        program=program,
        wants=is_urgent,
        retries=config.hook.retries,
        spared=True,
        after_s=config.hook.after_s if config.mqtt else 0.0,
        failed=Cause.HOOK_FAILED,
        subject=f"The second way out ({config.hook.command[0]})",
        remedy="Try it by hand",
        post=post,
    )
    return [channel]


def _json_of(event: Event) -> str:
    return event.payload
