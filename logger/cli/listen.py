"""Show what a probe sends; suggest a description of its lines.

Law: nothing is written anywhere, nothing is sent but --send.
"""

import codecs
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import click

from logger.cli._common import Between, config_option, folded, load_config, sentences
from logger.cli._requests import check_probe, examples
from logger.config import Parity, ProbeConfig, TextConfig
from logger.errors import RefusedError
from logger.probe.opening import opened
from logger.probe.port import describe_failure
from logger.probe.textline import Description
from logger.probe.wire import FAILURES, Wire
from logger.structs import replace

QUIET_S = 0.3
"""Bytes without the end of a line are shown when nothing more has come for so long."""


@dataclass(slots=True)
class _Received:
    """All that came, and the end of it that was not shown yet."""

    data: bytes = b""
    rest: bytes = b""
    lines: list[bytes] = field(default_factory=list)


@click.command(
    epilog=examples(
        "vatvigil listen /dev/ttyUSB0",
        "vatvigil listen /dev/ttyUSB0 --baud 19200 --send 'READ?' --seconds 20",
        "vatvigil listen --probe north-probe",
    ),
)
@click.argument("port", required=False)
@click.option("--probe", help="A probe of the configuration: its port, its settings, its description.")
@click.option("--seconds", type=Between(0.1, 86400), default=10.0, show_default=True)
@click.option("--baud", type=click.IntRange(50), help="Rate of the line [default: 9600, or the probe's].")
@click.option("--parity", type=click.Choice([str(each) for each in Parity]), help="[default: none, or the probe's]")
@click.option("--send", metavar="QUERY", help=r"Send this once a second, with --end behind it; \r, \n, \x05 are bytes.")
@click.option("--end", default=r"\r\n", show_default=True, help="What ends a query.")
@config_option
@sentences
def listen(
    *,
    port: str | None,
    probe: str | None,
    seconds: float,
    baud: int | None,
    parity: str | None,
    send: str | None,
    end: str,
    config_path: Path,
) -> None:
    """Show what comes from PORT, as it comes, and suggest a description of its lines.

    Bytes that are no plain text are shown by their numbers. With --probe each line is read as the watch would read it.
    A port that the daemon holds is refused: stop the daemon first.
    """
    chosen = _chosen(port, probe, config_path)
    chosen = replace(chosen, baud=baud or chosen.baud, parity=Parity(parity) if parity else chosen.parity)
    query = _bytes(send) + _bytes(end) if send else b""
    text = chosen.text
    if not send and text is not None and text.query:
        query = (text.query + text.query_end).encode("latin-1")
    wire = opened(chosen)
    received = _Received()
    try:
        for chunk in _receive(wire, query, seconds):
            _show(received, chunk, text)
    except KeyboardInterrupt:
        click.echo()
    except FAILURES as error:
        raise RefusedError(f"{chosen.port}: {describe_failure(error, chosen.port)}") from error
    finally:
        wire.close()
    if received.rest:
        click.echo(f"          {_escaped(received.rest)}   (no end of a line)")
    click.echo(_conclusion(received, chosen, query=_bytes(send or ""), end=_bytes(end)))


def _chosen(port: str | None, probe: str | None, config_path: Path) -> ProbeConfig:
    if (port is None) == (probe is None):
        raise click.UsageError("name a PORT, or a probe of the configuration with --probe")
    if port is not None:
        return ProbeConfig(id="", port=port)
    config = load_config(config_path)
    check_probe(config, str(probe))
    return config.probe(str(probe))


def _receive(wire: Wire, query: bytes, seconds: float) -> Iterator[tuple[float, bytes]]:
    """Yield what comes with its time (s), and nothing now and then; send the query once a second."""
    began_s = asked_s = time.monotonic()
    while (now_s := time.monotonic()) < began_s + seconds:
        if query and now_s >= asked_s:
            wire.send(query)
            asked_s += 1.0
        data = wire.read(until=min(now_s + QUIET_S, began_s + seconds))
        yield time.monotonic() - began_s, data


def _show(received: _Received, chunk: tuple[float, bytes], text: TextConfig | None) -> None:
    """Print the lines that a chunk ends; what has no end only once it is quiet."""
    from logger.probe.diagnosis import terminator_of

    at_s, data = chunk
    received.data += data
    end = (text.terminator if text else terminator_of(received.data)).encode("latin-1")
    *ended, received.rest = (received.rest + data).split(end) if end else [received.rest + data]
    for line in ended:
        bare = line.removesuffix(b"\r") if end == b"\n" else line
        received.lines.append(bare)
        click.echo(f"{at_s:7.2f} s {_escaped(line + end)}")
        if text is not None and bare.strip():
            click.echo(f"          = {_read(bare, text)}")
    if not data and received.rest:
        click.echo(f"{at_s:7.2f} s {_escaped(received.rest)}   (no end of a line yet)")
        received.rest = b""


def _read(line: bytes, text: TextConfig) -> str:
    """Say what a line means, as the watch would read it."""
    from logger.probe.textline import TextFault

    decoded = Description(text).decode(line.strip(b" ").removeprefix(text.prompt.encode("latin-1")).lstrip(b" "))
    if isinstance(decoded, TextFault):
        return f"{decoded.reason.words}: {decoded.text}"
    value = f"pH {decoded.ph:g}" if decoded.ph is not None else f"{decoded.potential_mv:g} mV"
    return (
        f"{value}, no temperature {decoded.detail}"
        if decoded.temperature_c is None
        else f"{value}, {decoded.temperature_c:g} C"
    )


def _conclusion(received: _Received, probe: ProbeConfig, *, query: bytes, end: bytes) -> str:
    """Return what the bytes show: what is wrong with the line, or a description of it."""
    from logger.probe import diagnosis, suggest

    if not received.data:
        more = "is --end what ends a query?" if query else "or does it wait for a query (--send)?"
        return folded(f"Nothing came. Is the probe on, is it the right port, {more}")
    terminator = diagnosis.terminator_of(received.data)
    trouble = diagnosis.diagnose(received.data, query=query, end=terminator.encode("latin-1") or b"\n")
    paragraphs = [folded(trouble[0].upper() + trouble[1:] + ".")] if trouble else []
    is_echo = trouble.endswith("echo = true")
    # Of a probe that prints by itself the first line may have lost its beginning.
    lines = [
        line.removeprefix(query).lstrip(b"\r") if is_echo else line for line in received.lines[0 if query else 1 :]
    ]
    suggestion = suggest.suggest_description(
        lines,
        terminator=terminator or "\n",
        query=query.decode("latin-1"),
        query_end=end.decode("latin-1") if query else "\r\n",
        echo=is_echo,
    )
    if suggestion.text is None:
        return "\n".join([*paragraphs, folded(f"No description: {suggestion.explanation}.")])
    return "\n".join(
        [
            *paragraphs,
            "",
            f"# A description of these lines; {suggestion.explanation}.",
            suggest.description_toml(suggestion.text, probe),
        ]
    )


def _bytes(written: str) -> bytes:
    try:
        return codecs.decode(written, "unicode_escape").encode("latin-1")
    except (UnicodeDecodeError, UnicodeEncodeError):
        raise click.UsageError(
            rf"{written!r} is no text of bytes; write \r, \n or \x05 for what is not printable"
        ) from None


def _escaped(data: bytes) -> str:
    """Return bytes as text, what is not printable as its escape."""
    return repr(data)[2:-1].replace(r"\'", "'").replace("\\\\", "\\")
