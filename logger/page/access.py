"""Open the port, keep the token, and say by which addresses the page can be reached.

Law: nothing but this machine reaches the page without a token. The file of the token is for its owner alone.
"""

import ipaddress
import secrets
import socket
from pathlib import Path

from logger import private_file
from logger.errors import RefusedError
from logger.page.guard import QUERY

LEAST = 16
"""Characters of a token: a shorter one could be guessed."""
_NOWHERE = {socket.AF_INET: "192.0.2.1", socket.AF_INET6: "2001:db8::1"}
"""Addresses that are nobody's (RFC 5737, RFC 3849): only asked which way they would be sent from, nothing is sent."""


def is_loopback(address: str) -> bool:
    """Tell whether an address reaches this machine only. Raises RefusedError if it is none."""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        raise RefusedError(
            f"{address!r} is no address to serve at: 127.0.0.1 is this machine, 0.0.0.0 every network it is in"
        ) from None


def opened(address: str, port: int) -> socket.socket:
    """Open the port to be served at. Raises RefusedError."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        return socket.create_server((address, port), family=family)
    except OSError as error:
        raise RefusedError(
            f"the page cannot be served at {address}, port {port} ({error.strerror}): choose another --port"
        ) from error


def token_of(file: Path) -> str:
    """Return the token in a file, which is made if there is none. Raises RefusedError."""
    token = secrets.token_urlsafe()
    try:
        with private_file.opened(file, "xb") as stream:
            stream.write(f"{token}\n".encode())
    except FileExistsError:
        return _read(file)
    except OSError as error:
        raise RefusedError(
            f"the token cannot be kept in {file} ({error.strerror}): name another file with --token-file"
        ) from error
    return token


def _read(file: Path) -> str:
    try:
        token = file.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise RefusedError(f"the token cannot be read from {file} ({error}): name another file") from error
    if len(token) < LEAST or not token.isascii() or not token.replace("-", "").replace("_", "").isalnum():
        raise RefusedError(
            f"{file} holds no token of {LEAST} or more letters and digits: delete it, and a new one is made"
        )
    if private_file.open_to_others([file]):
        raise RefusedError(f"the token in {file} can be read by others: `chmod 600 {file}`")
    return token


def shown_address(address: str, port: int, *, token: str = "") -> str:
    """Return the address to be typed into a telephone or a browser."""
    given = ipaddress.ip_address(address)
    host = _own_address(given.version) if given.is_unspecified else address
    query = f"?{QUERY}={token}" if token else ""
    return f"http://{f'[{host}]' if ':' in host else host}:{port}/{query}"


def own_names() -> list[str]:
    """Return the names by which this machine is known in a house."""
    name = socket.gethostname()
    return [name, f"{name.partition('.')[0]}.local"]


def _own_address(version: int) -> str:
    """Return the address that others in the network reach this machine at, so far as it knows."""
    family = socket.AF_INET6 if version == 6 else socket.AF_INET  # noqa: PLR2004 - the version of the protocol
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((_NOWHERE[family], 9))
        except OSError:  # there is no network
            return socket.gethostname()
        return str(probe.getsockname()[0])
