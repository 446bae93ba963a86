"""List the serial ports, who holds them and who may use them.

Law: it opens none of them.
"""

from collections.abc import Iterator

import click

from logger.cli._common import folded, json_option, print_json, sentences
from logger.cli._requests import examples
from logger.probe.port_listing import ListedPort


@click.command(
    epilog=examples("vatvigil ports", "vatvigil ports /dev/ttyUSB0 --json"),
)
@click.argument("paths", nargs=-1, metavar="[PORT]...")
@json_option
@sentences
def ports(paths: tuple[str, ...], as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """List the serial ports, or only these: lasting names, who holds them, whether this user may use them.

    No port is opened: `vatvigil listen PORT` shows what a port sends.
    """
    from logger.probe import port_listing

    listed = port_listing.describe_ports(paths) if paths else port_listing.list_serial_ports()
    if as_json:
        print_json(listed)
        return
    if not listed:
        click.echo("No serial port found; plug the probe's adapter in and look again.")
    for port in listed:
        click.echo("\n".join(_port_lines(port)))
    if not all(port.is_all_seen for port in listed if port.mode):
        click.echo(folded("Not every process may be looked at by this user: another one may hold a port too."))


def _port_lines(port: ListedPort) -> Iterator[str]:
    yield port.name
    for what, text in (
        ("device", port.device if port.device != port.name else ""),
        ("by-path", port.by_path if port.by_path != port.name else ""),
        ("adapter", port.description if port.description != "n/a" else ""),
        ("access", port.mode),
        ("held by", ", ".join(f"{holder.command} (process {holder.pid})" for holder in port.holders)),
        ("to do", port.advice),
    ):
        if text:
            yield f"  {what:<8} {text}"
    if not port.by_id and port.mode:
        yield "  note     no name below /dev/serial/by-id: the name may mean another adapter after the next restart"
