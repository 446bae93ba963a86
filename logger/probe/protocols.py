"""Register every probe protocol once: who speaks it, and what the rest of the program must know of it.

Law: every member of `Protocol` has one row, and nothing outside this table asks which protocol a probe speaks. To add
one: a member of `Protocol` with the table that describes it, its conversation (see `conversation.py`), and a row here.
"""

from collections.abc import Callable
from typing import Final

from logger.config import ProbeConfig, Protocol
from logger.errors import ConfigurationError
from logger.probe import scpi_conversation, text_conversation
from logger.probe.conversation import Conversation, LineExchange
from logger.structs import Struct


class ProtocolEntry(Struct, frozen=True, kw_only=True):
    """One row of `PROTOCOLS`."""

    conversation: Callable[..., Conversation]
    """Makes the conversation with a probe; called with the `ProbeConfig` and `simulated=`."""
    line_exchange: Callable[[ProbeConfig], LineExchange] | None = None
    """What a probe is sent and how its lines end; None: it speaks in binary frames, not in lines."""
    address_range: tuple[int, int] | None = None
    """Lowest and highest address; None: it has none, so that a probe has its port for itself."""
    needs_network: bool = False
    """It is spoken over TCP only."""

    @property
    def is_binary(self) -> bool:
        """Tell whether it needs all eight bits of a character."""
        return self.line_exchange is None

    def prints_by_itself(self, probe: ProbeConfig) -> bool:
        """Tell whether the probe sends lines that nobody asks for."""
        return self.line_exchange is not None and not self.line_exchange(probe).query


def _rtu(probe: ProbeConfig, *, simulated: bool) -> Conversation:
    from logger.probe.modbus_conversation import RtuConversation  # noqa: PLC0415 - 4 ms and 0.14 MB of other starts

    return RtuConversation(probe, simulated=simulated)


def _tcp(probe: ProbeConfig, *, simulated: bool) -> Conversation:
    from logger.probe.modbus_conversation import TcpConversation  # noqa: PLC0415 - as above

    return TcpConversation(probe, simulated=simulated)


PROTOCOLS: Final = {
    Protocol.SCPI: ProtocolEntry(
        conversation=scpi_conversation.ScpiConversation, line_exchange=scpi_conversation.line_exchange
    ),
    Protocol.TEXT: ProtocolEntry(
        conversation=text_conversation.text_conversation, line_exchange=text_conversation.line_exchange
    ),
    # MODBUS over Serial Line V1.02, 2.2; from memory. Behind TCP 0 and 255 are in use for the instrument itself.
    Protocol.MODBUS_RTU: ProtocolEntry(conversation=_rtu, address_range=(1, 247)),
    Protocol.MODBUS_TCP: ProtocolEntry(conversation=_tcp, address_range=(0, 255), needs_network=True),
}


def entry(protocol: Protocol) -> ProtocolEntry:
    """Return the row of a protocol. Raises ConfigurationError if it has none."""
    if protocol not in PROTOCOLS:
        names = ", ".join(PROTOCOLS)
        raise ConfigurationError(f"protocol = {str(protocol)!r}: this version cannot speak it; use one of {names}")
    return PROTOCOLS[protocol]


def conversation_with(probe: ProbeConfig, *, simulated: bool) -> Conversation:
    """Return the conversation with a probe. Raises ConfigurationError if its protocol has no row."""
    return entry(probe.protocol).conversation(probe, simulated=simulated)
