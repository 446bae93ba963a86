"""Look at what other users of the machine and of the network could read or change: secrets, configuration, hook."""

import ipaddress
import os
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path

from logger.config import Config

_SECRETS = (("mqtt", "password_file"), ("store", "url_file"))
_WITH_SECRET = (("mqtt", "password"), ("store", "url"))


def findings(config: Config, file: Path) -> Iterator[tuple[str, str]]:
    """Yield what needs attention: where, and what to do."""
    yield from (("secrets", text) for text in _readable(file))
    yield from (("configuration", text) for text in _changeable(file))
    yield from (("broker", text) for text in _in_clear(config))
    if config.hook is not None:
        yield from (("second way out", text) for text in _changeable(Path(config.hook.command[0])))


def _readable(file: Path) -> Iterator[str]:
    """Yield the files that hold a secret and that everybody may read."""
    with file.open("rb") as stream:
        document = tomllib.load(stream)
    named = [file.parent / document[table][key] for table, key in _SECRETS if key in document.get(table, {})]
    named += [file] if any(key in document.get(table, {}) for table, key in _WITH_SECRET) else []
    for path in named:
        mode = _mode(path)
        if mode is not None and mode & stat.S_IROTH:
            yield f"everybody may read {path}, which holds a secret: chmod o-rwx {path}"


def _changeable(file: Path) -> Iterator[str]:
    """Yield what others may change of a file: itself, or a folder on the way to it."""
    whole = file.resolve()
    for path in (whole, *whole.parents):
        try:
            state = path.stat()
        except OSError:
            continue
        if state.st_uid not in (0, os.geteuid()):
            yield f"{path} belongs to another user (number {state.st_uid}), who may change what is run: chown it"
        elif state.st_mode & 0o022 and not (stat.S_ISDIR(state.st_mode) and state.st_mode & stat.S_ISVTX):
            yield f"others may change {path}, and so what is run as this user: chmod go-w {path}"


def _in_clear(config: Config) -> Iterator[str]:
    """Yield that a password goes over the network as it is."""
    mqtt = config.mqtt
    if mqtt is not None and mqtt.password and not mqtt.tls and not _is_here(mqtt.host):
        yield f"the password goes to {mqtt.host} in clear: set mqtt.tls, and ca_file for a broker of your own"


def _is_here(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _mode(path: Path) -> int | None:
    try:
        return path.stat().st_mode
    except OSError:
        return None
