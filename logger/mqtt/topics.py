"""Makes the topic names, and nothing else.

Law: every name is made here, under one root, and `command` undoes what `acknowledge`, `shelve`, `mark` and the other
command topics make. What is simulated has a root of its own, `simulated/<base>`, so that no subscriber to the real one
ever receives it.
"""

from typing import Self

from logger.config import MqttConfig
from logger.errors import ConfigurationError
from logger.structs import Struct
from logger.watch.system import SYSTEM

_FORBIDDEN = "+#\0"
"""Characters that a topic name must not hold (MQTT 5.0, 4.7.1 and 1.5.4)."""


class Address(Struct, frozen=True, kw_only=True):
    """The parts of a command topic; no `alarm`: it speaks of the vat."""

    vat: str = ""
    alarm: str = ""
    verb: str = ""


class Topics(Struct, frozen=True, kw_only=True):
    """The topics of one installation; `discovery_prefix` None: our entities are announced to no hub."""

    root: str
    simulated: bool = False
    discovery_prefix: str | None = None

    @classmethod
    def of(cls, config: MqttConfig, *, simulated: bool) -> Self:
        """Return the topics of a configuration. Raises ConfigurationError for a base that is no topic name."""
        base = config.base_topic.strip("/")
        if not base or base.startswith("$") or any(character in base for character in _FORBIDDEN):
            raise ConfigurationError(
                f"mqtt.base_topic: {config.base_topic!r} cannot be used as a topic: "
                "give a name such as 'vatvigil' without +, # and a leading $"
            )
        root = f"simulated/{base}" if simulated else base
        return cls(root=root, simulated=simulated, discovery_prefix=config.discovery_prefix)

    @property
    def node(self) -> str:
        """Return the root as the first part of entity ids (only letters, digits, - and _)."""
        base = plain(self.root.removeprefix("simulated/") if self.simulated else self.root)
        return f"SIMULATED_{base}" if self.simulated else base

    @property
    def status(self) -> str:
        """Retained, also the will: whether the watch is online."""
        return f"{self.root}/status"

    @property
    def heartbeat(self) -> str:
        """Not retained: that the watch lives, and how old its newest believed readings are."""
        return f"{self.root}/heartbeat"

    def measurement(self, vat: str) -> str:
        """Not retained: the newest measurement of a vat."""
        return f"{self.root}/vat/{vat}/measurement"

    def alarm(self, vat: str, alarm: str) -> str:
        """Retained: the standing state of an alarm, of a vat or of the system."""
        return f"{self._of(vat)}/alarm/{alarm}"

    def alarms(self, vat: str) -> str:
        """Retained: what stands of all alarms of a vat, or of the system."""
        return f"{self._of(vat)}/alarms"

    def said(self, vat: str) -> str:
        """Not retained: what became of what a person said of a vat, or of the system."""
        return f"{self._of(vat)}/said"

    def target(self, vat: str) -> str:
        """Retained: how a vat stands to its target."""
        return f"{self.root}/vat/{vat}/target"

    def forecast(self, vat: str) -> str:
        """Retained: when a vat comes to its target."""
        return f"{self.root}/vat/{vat}/forecast"

    def event(self, vat: str) -> str:
        """Not retained: what just happened to a vat; no vat: to the system."""
        return f"{self.root}/vat/{vat}/event" if vat else f"{self.root}/event"

    def health(self, probe: str) -> str:
        """Retained: condition of a probe."""
        return f"{self.root}/probe/{probe}/health"

    @property
    def command_root(self) -> str:
        """The beginning of each command topic."""
        return f"{self.root}/command/"

    def acknowledge(self, vat: str, alarm: str) -> str:
        """Received, never retained: acknowledge an occurrence."""
        return f"{self.command_root}{vat}/{alarm}/acknowledge"

    def acknowledge_all(self, vat: str) -> str:
        """Received, never retained: acknowledge the occurrences that a person saw standing in a vat."""
        return f"{self.command_root}{vat}/acknowledge"

    def shelve(self, vat: str, alarm: str) -> str:
        """Received, never retained: silence an alarm for some minutes."""
        return f"{self.command_root}{vat}/{alarm}/shelve"

    def unshelve(self, vat: str, alarm: str) -> str:
        """Received, never retained: end the shelving of an alarm."""
        return f"{self.command_root}{vat}/{alarm}/unshelve"

    def mark(self, vat: str) -> str:
        """Received, never retained: what a person does to a vat or its probe."""
        return f"{self.command_root}{vat}/mark"

    def note(self, vat: str) -> str:
        """Received, never retained: a remark for the journal."""
        return f"{self.command_root}{vat}/note"

    def batch(self, vat: str) -> str:
        """Received, never retained: an entry for the record of the batch in a vat."""
        return f"{self.command_root}{vat}/batch"

    def spot(self, vat: str) -> str:
        """Received, never retained: the pH that another instrument shows in a vat."""
        return f"{self.command_root}{vat}/spot"

    def _of(self, vat: str) -> str:
        return f"{self.root}/system" if vat == SYSTEM else f"{self.root}/vat/{vat}"

    @property
    def commands(self) -> str:
        """Return the filter of all commands."""
        return f"{self.command_root}#"

    @property
    def birth(self) -> str | None:
        """Where the hub says `online` after a start; None: there is no hub."""
        return f"{self.discovery_prefix}/status" if self.discovery_prefix else None

    @property
    def own(self) -> tuple[str, ...]:
        """Return the topics on which the watch says that it is there: another sender there has another store."""
        return self.status, self.heartbeat

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """Return the filters to subscribe to at QoS 1: what must not be lost."""
        return (self.commands, self.birth) if self.birth else (self.commands,)

    def is_command(self, topic: str) -> bool:
        """Tell whether a topic lies where commands are expected."""
        return topic.startswith(self.command_root)

    def command(self, topic: str) -> Address | None:
        """Return what a command topic speaks of, None where the topic has another form."""
        match topic.removeprefix(self.command_root).split("/") if self.is_command(topic) else []:
            case [vat, alarm, verb]:
                return Address(vat=vat, alarm=alarm, verb=verb)
            case [vat, verb]:
                return Address(vat=vat, verb=verb)
            case _:
                return None


PATTERNS = Topics(root="<root>", discovery_prefix="<prefix>")
"""Makes topics as documents write them: `<root>/vat/<vat>/measurement`."""


def plain(name: str) -> str:
    """Return a name with everything but ASCII letters, digits, - and _ replaced (the hub's rule for ids)."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "_" for c in name)
