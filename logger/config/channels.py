"""Define the ways by which events go out beside the broker: the hook, push, the dead man's switch."""

from typing import Annotated

from annotated_types import Ge, Le

from logger.config.secret import SecretTable


class HookConfig(SecretTable, frozen=True, kw_only=True):
    """The hook: an executable that is given the events that the broker has not accepted."""

    SECRETS = ("command",)
    command: tuple[str, ...]
    """The executable's absolute path and its arguments (which may be secret); no shell reads it."""
    after_s: Annotated[float, Ge(0), Le(86400)] = 60.0
    """The hook is run for an event that the broker has not accepted for so long; real seconds. Common practice, no
    source.
    """
    timeout_s: Annotated[float, Ge(0.1), Le(600)] = 20.0
    """The hook is killed, with its children, when it runs longer; real seconds. Common practice, no source."""
    retries: Annotated[int, Ge(0), Le(1000)] = 5
    """How often the hook is run again for an event when it fails. Common practice, no source."""


class PushConfig(SecretTable, frozen=True, kw_only=True):
    """Push: services that bring events to people without a hub."""

    SECRETS = ("urls",)
    urls: tuple[str, ...]
    """One address a service, as the library apprise writes them (they hold secrets); better written into the file that
    `urls_file` names.
    """
    only_if_broker_fails: bool = False
    """If true, a service gets an event only when the broker has not accepted it for `after_s`."""
    after_s: Annotated[float, Ge(0), Le(86400)] = 60.0
    """How long the broker may take with `only_if_broker_fails`; real seconds. Common practice, no source."""
    timeout_s: Annotated[float, Ge(1), Le(600)] = 30.0
    """How long a service may take to accept an event; real seconds. Common practice, no source."""
    retries: Annotated[int, Ge(0), Le(1000)] = 5
    """How often an event is sent again when a service does not accept it. Common practice, no source."""


class DeadManConfig(SecretTable, frozen=True, kw_only=True):
    """The dead man's switch: an address that is asked for while all is well, so that somebody can miss it."""

    SECRETS = ("url",)
    url: str
    """The address (it holds a secret): http:// or https://; better written into the file that `url_file` names."""
    every_s: Annotated[float, Ge(10), Le(86400)] = 300.0
    """How often it is asked for; real seconds. Common practice, no source."""
    timeout_s: Annotated[float, Ge(1), Le(60)] = 10.0
    """How long the answer may take; real seconds. Common practice, no source."""
