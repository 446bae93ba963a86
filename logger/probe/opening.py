"""Open a port for a look at its bytes. One that cannot be opened is refused in a sentence, with who holds it."""

from logger.config import ProbeConfig
from logger.errors import RefusedError
from logger.probe import port_listing
from logger.probe.port import describe_failure
from logger.probe.wire import FAILURES, Wire


def opened(probe: ProbeConfig) -> Wire:
    """Return the open port of a probe. Raises RefusedError."""
    try:
        return Wire(probe)
    except FAILURES as error:
        raise RefusedError(f"{probe.port}: {describe_failure(error, probe.port)}{_holders(probe.port)}") from error


def _holders(port: str) -> str:
    if "://" in port:
        return ""
    held = [f"{one.command}, process {one.pid}, holds it" for one in port_listing.describe_ports([port])[0].holders]
    return f" ({'; '.join(held)})" if held else ""
