"""The table of probe protocols: every member of `Protocol` can be spoken, and one without a row is a clear error."""

import pytest

from logger.config import ProbeConfig, Protocol, TextConfig
from logger.config.modbus import ModbusConfig, RegisterConfig
from logger.config.probes import ScpiConfig
from logger.errors import ConfigurationError
from logger.probe import protocols
from logger.probe.conversation import Conversation
from logger.probe.reader import readers
from logger.settings.checks import shared_port_problems

TEXT = TextConfig(pattern=r"(?P<mv>[-+]?\d+\.\d) mV", example="12.0 mV", query="READ?")


def probe_of(protocol: Protocol, *, id: str = "p", address: int = 1) -> ProbeConfig:  # noqa: A002 - the field's name
    modbus = ModbusConfig(address=address, potential=RegisterConfig(number=0))
    return ProbeConfig(id=id, port="/nowhere", protocol=protocol, text=TEXT, modbus=modbus)


@pytest.mark.parametrize("protocol", Protocol)
def test_each_protocol_has_a_conversation_of_its_own(protocol: Protocol) -> None:
    conversation = protocols.conversation_with(probe_of(protocol), simulated=True)
    assert isinstance(conversation, Conversation)
    assert protocol in protocols.PROTOCOLS


@pytest.mark.parametrize("protocol", Protocol)
def test_each_protocol_names_the_table_that_describes_it(protocol: Protocol) -> None:
    probe = probe_of(protocol)
    kinds = {"scpi": ScpiConfig, "text": TextConfig, "modbus": ModbusConfig}
    assert isinstance(probe.description, kinds[protocol.table])
    assert not probe.own_ph


@pytest.mark.parametrize("protocol", Protocol)
def test_a_port_is_shared_only_by_probes_with_addresses(protocol: Protocol) -> None:
    pair = [probe_of(protocol, id="a", address=1), probe_of(protocol, id="b", address=2)]
    is_refused = bool(list(shared_port_problems(pair)))
    assert is_refused == (protocols.entry(protocol).address_range is None)


@pytest.mark.parametrize("protocol", Protocol)
def test_a_protocol_is_of_lines_with_an_end_or_of_binary_frames(protocol: Protocol) -> None:
    row = protocols.entry(protocol)
    is_ended = row.line_exchange is not None and bool(row.line_exchange(probe_of(protocol)).terminator)
    assert is_ended != row.is_binary


def test_a_text_probe_without_a_query_prints_by_itself() -> None:
    printing = TextConfig(pattern=TEXT.pattern, example=TEXT.example)
    assert protocols.entry(Protocol.TEXT).prints_by_itself(ProbeConfig(id="p", port="", text=printing))
    assert not protocols.entry(Protocol.TEXT).prints_by_itself(probe_of(Protocol.TEXT))
    assert not protocols.entry(Protocol.SCPI).prints_by_itself(probe_of(Protocol.SCPI))


def test_a_protocol_without_a_row_is_refused_at_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(protocols.PROTOCOLS, Protocol.MODBUS_TCP)
    with pytest.raises(ConfigurationError, match=r"protocol = 'modbus-tcp': this version cannot speak it; use one of"):
        readers([probe_of(Protocol.MODBUS_TCP)], simulated=True)
