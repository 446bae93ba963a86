"""`vatvigil check` names what is wrong with a line, and what to try."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.cli.check import check
from tests.probe.test_diagnosis import LINE, at_another_rate, with_parity
from tests.probe.text_peer import TextPeer

CONFIG = """
[store]
path = "log.sqlite"
[probe.p]
port = "{port}"
timeout_s = 0.3
protocol = "{protocol}"
{text}
[vat.v]
probe = "p"
"""
TEXT = """
[probe.p.text]
query = "READ?"
pattern = '(?P<mv>\\S+) mV  (?P<temperature>\\S+) C'
example = "+171.2 mV  20.1 C"
"""


def probe_found(folder: Path, reply: bytes, *, text: str = TEXT) -> str:
    """What `check` says of the probe."""
    with TextPeer(folder / "probe") as peer:
        peer.answer = lambda _: [(0.0, reply)]
        config = folder / "vatvigil.toml"
        protocol = "text" if text else "scpi"
        config.write_text(CONFIG.format(port=peer.link, protocol=protocol, text=text), encoding="utf-8")
        told = json.loads(CliRunner().invoke(check, ["--config", str(config), "--json"]).output)
    (found,) = [str(one["text"]) for one in told["findings"] if one["what"] == "probe p"]
    return found


@pytest.mark.parametrize(
    ("reply", "told"),
    [
        (LINE, "171.2 mV, 20.1 C"),
        (b"+171.2 mV  ---- C\r\n", "171.2 mV, no temperature"),
        (at_another_rate(LINE * 2, sent=19200, heard=9600), "the baud rate is wrong, most likely"),
        (with_parity(LINE, odd=False), 'write data_bits = 7, parity = "even"'),
        (b"READ?\r\n" + LINE, "write echo = true"),
        (LINE[:-1], r'write terminator = "\r"'),
        (b"", "no reply to 'READ?' within 0.3 s; is the probe on? (`vatvigil listen --probe p` shows what comes)"),
        (b"+171.2 mV\r\n", "the pattern does not match the line '+171.2 mV' (`vatvigil listen --probe p`"),
    ],
)
def test_each_fault_of_a_line_is_named_with_what_to_try(tmp_path: Path, reply: bytes, told: str) -> None:
    found = probe_found(tmp_path, reply)
    assert told in found


def test_a_scpi_instrument_at_another_rate_is_named_too(tmp_path: Path) -> None:
    found = probe_found(tmp_path, at_another_rate(b"1.7120E-01\n" * 3, sent=2400, heard=9600), text="")
    assert "the baud rate is wrong, most likely" in found
