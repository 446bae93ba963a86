"""`vatvigil listen`, at real ports with probes of text lines behind them."""

import fcntl
import os
import re
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.cli.listen import listen
from tests.parts.simulator import Start
from tests.probe.text_peer import TextPeer


def heard(*arguments: str) -> tuple[int, str]:
    done = CliRunner().invoke(listen, arguments)
    return done.exit_code, done.output


def described(output: str) -> dict[str, object]:
    """The description at the end of what was shown."""
    probe: dict[str, object] = tomllib.loads(output[output.index("[probe") :])["probe"]["NAME"]
    return probe


def test_what_a_probe_says_is_shown_and_described(simulator: Start) -> None:
    port = simulator("quiet-night", extra=["--protocol", "text"]).port
    code, output = heard(port, "--send", "READ?", "--seconds", "3.2")
    assert code == 0
    assert "SIMULATED SIM0001 E=+" in output
    counts = re.search(r"# A description of these lines; it reads (\d) of the (\d) lines? that came", output)
    assert counts is not None, output
    assert 1 <= int(counts[1]) == int(counts[2]) <= 4  # one query a second; fewer on a machine that is busy
    text = described(output)["text"]
    assert isinstance(text, dict)
    assert text["query"] == "READ?"
    assert "(?P<mv>" in text["pattern"]


def test_with_a_probe_of_the_configuration_lines_are_read_as_the_watch_reads_them(
    simulator: Start, tmp_path: Path
) -> None:
    port = simulator("quiet-night", extra=["--protocol", "text", "--style", "printing"]).port
    config = tmp_path / "vatvigil.toml"
    config.write_text(
        f"""
        [store]
        path = "log.sqlite"
        [simulation]
        [probe.p]
        port = "{port}"
        protocol = "text"
        [probe.p.text]
        pattern = '\\$(?P<checked>SIMULATED,\\w+,(?P<mv>\\S+) mV,(?P<temperature>\\S+) C)\\*(?P<checksum>[0-9A-F]{{2}})'
        example = "$SIMULATED,SIM0001,+171.2 mV,20.10 C*75"
        checksum = "xor-8"
        [vat.v]
        probe = "p"
        """,
        encoding="utf-8",
    )
    code, output = heard("--probe", "p", "--config", str(config), "--seconds", "3")
    assert code == 0
    assert " mV, " in output.split("= ")[1]


@pytest.mark.parametrize(
    ("arguments", "reply", "told"),
    [
        (
            ["--send", "READ?"],
            b"READ?\r\n171.2 mV 20.1 C\r\n",
            "The query comes back before the reply: write echo = true.",
        ),
        ([], b"", "Nothing came. Is the probe on, is it the right port, or does it wait for a query\n(--send)?"),
        (["--send", r"\x05"], b"\x00\xfe\x80\x00\xf8\x00\n", "the baud rate is wrong"),
    ],
)
def test_what_is_wrong_with_a_line_is_said(tmp_path: Path, arguments: list[str], reply: bytes, told: str) -> None:
    with TextPeer(tmp_path / "probe") as peer:
        peer.answer = lambda _: [(0.0, reply)]
        code, output = heard(str(peer.link), "--seconds", "1", *arguments)
    assert code == 0
    assert told.split() == [word for word in output.split() if word in told.split()] or told in output.replace(
        "\n", " "
    )


def test_a_port_that_somebody_holds_is_refused_with_who_it_is(tmp_path: Path) -> None:
    with TextPeer(tmp_path / "probe") as peer:
        holder = os.open(peer.link, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(holder, fcntl.LOCK_EX)
        code, output = heard(str(peer.link))
        os.close(holder)
    assert code == 1
    assert "another program holds the port; close it" in output
    assert f"process {os.getpid()}, holds it" in output


@pytest.mark.parametrize(
    "arguments", [[], ["/dev/x", "--probe", "p"], ["/dev/x", "--send", "\\xq"], ["/dev/x", "--parity", "mark"]]
)
def test_a_wrong_command_line_is_told(arguments: list[str]) -> None:
    assert heard(*arguments)[0] == 2
