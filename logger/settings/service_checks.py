"""Check what stands around the vats: store, broker, hook, push, the watch's own alarms.

Pure but for one look at each file that they name. Law: no argument of the hook and no part of an address is in a
sentence: it may be a secret.
"""

import os
import re
import stat
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from logger.config import Config, DeadManConfig, HookConfig, MqttConfig, PushConfig
from logger.settings.problems import Key, Problem, written, wrong

_PROTOCOLS: Final = (5, 311)
_FILES: Final = ("ca_file", "cert_file", "key_file")
_COMMAND: Final = ("hook", "command")
_FIRST: Final = 'write command = ["/path/to/executable", "argument"]'


def service_problems(config: Config) -> Iterator[Problem]:
    """Yield what is wrong with what stands around the vats."""
    if config.mqtt is not None:
        yield from _broker(config.mqtt)
    if config.hook is not None:
        yield from _hook(config.hook)
    if config.push is not None:
        yield from _push(config.push)
    if config.dead_man is not None:
        yield from _dead_man(config.dead_man)
    for alarm in config.system.alarms:
        if not alarm.kind.row.has_delay and alarm.on_delay_s:
            key = ("system", "alarm", alarm.id, "on_delay_s")
            yield wrong(key, alarm.on_delay_s, "this alarm has no delay", "remove this key")
    yield from _store(config)


def _store(config: Config) -> Iterator[Problem]:
    if config.store_url and not re.match(r"(sqlite|postgresql)(\+[a-z0-9_]+)?://", config.store_url):
        remedy = "write postgresql://user@host/database, or use path for a file"
        yield Problem(key=("store", "url"), reason="this is no address of a database that is known here", remedy=remedy)
    if config.backup_dir is not None and config.store_url.startswith("postgresql"):
        reason = "daily copies are made of a database file only"
        remedy = "remove it and back up the server by its own means"
        yield Problem(key=("store", "backup_dir"), reason=reason, remedy=remedy)


def _broker(mqtt: MqttConfig) -> Iterator[Problem]:
    yield from _host(mqtt.host)
    yield from _topic(("mqtt", "base_topic"), mqtt.base_topic)
    if mqtt.discovery_prefix is not None:
        yield from _topic(("mqtt", "discovery_prefix"), mqtt.discovery_prefix)
    if mqtt.protocol not in _PROTOCOLS:
        yield wrong(
            ("mqtt", "protocol"), mqtt.protocol, "there is no such protocol here", "write 5, or 311 for MQTT 3.1.1"
        )
    # MQTT 3.1.1, 3.1.2.9: the password flag must be 0 when the user name flag is 0.
    if mqtt.protocol == 311 and mqtt.password is not None and mqtt.username is None:  # noqa: PLR2004 - of _PROTOCOLS
        reason = "MQTT 3.1.1 knows no password without a user name"
        yield Problem(key=("mqtt", "username"), reason=reason, remedy="write username, or protocol = 5")
    yield from _tls(mqtt)


def _host(host: str) -> Iterator[Problem]:
    if not re.fullmatch(r"[A-Za-z0-9._:%-]{1,253}", host):  # not shown: an address may hold a password
        reason = "this is no host name or IP address"
        yield Problem(
            key=("mqtt", "host"), reason=reason, remedy="write the name alone; port, username, tls are own keys"
        )


def _topic(key: Key, topic: str) -> Iterator[Problem]:
    # MQTT 5.0, 4.7.1 and 4.7.3: no wildcards in a topic name, no null; $ at the start belongs to the server.
    if not re.fullmatch(r"[^+#$/\s][^+#]*", topic) or not topic.isprintable() or len(topic) > 100:  # noqa: PLR2004 - enough
        remedy = "use words separated by /, without + # and $, not beginning with /, at most 100 characters"
        yield wrong(key, topic, "this cannot be the beginning of a topic", remedy)


def _tls(mqtt: MqttConfig) -> Iterator[Problem]:
    for name in _FILES:
        path = getattr(mqtt, name)
        if path is not None and not mqtt.tls:
            yield wrong(("mqtt", name), str(path), "it is given, but tls is not on", "write tls = true, or remove it")
        elif path is not None:
            yield from _readable(("mqtt", name), path)
    if (mqtt.cert_file is None) != (mqtt.key_file is None):
        missing = "key_file" if mqtt.key_file is None else "cert_file"
        reason = "a certificate of ours and its key go together, and this one is missing"
        yield Problem(key=("mqtt", missing), reason=reason, remedy="give both or none")


def _readable(key: Key, path: Path) -> Iterator[Problem]:
    try:
        with path.open("rb"):
            return
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "no path"
        yield wrong(key, str(path), f"the file cannot be read ({why})", "check the path, its owner and its mode")


def _hook(hook: HookConfig) -> Iterator[Problem]:
    if hook.command and any("\0" in part for part in hook.command):
        yield Problem(key=_COMMAND, reason="no argument can hold a NUL", remedy="remove it")
    elif hook.command:
        yield from _executable(Path(hook.command[0]))


def _push(push: PushConfig) -> Iterator[Problem]:
    if find_spec("apprise") is None:
        reason, remedy = "the library apprise is not installed", "pip install apprise"
        yield Problem(key=("push",), reason=reason, remedy=remedy)
    for number, url in enumerate(push.urls, start=1):
        if not re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*://\S+", url) or not url.isprintable():
            reason = f"number {number} is no address of a service"
            remedy = "write it as the library apprise does: service://..., see `vatvigil help push`"
            yield Problem(key=("push", "urls"), reason=reason, remedy=remedy)


def _dead_man(dead_man: DeadManConfig) -> Iterator[Problem]:
    if dead_man.url and not _is_web_address(dead_man.url):
        reason = "this is no address that can be asked for"
        yield Problem(key=("dead_man", "url"), reason=reason, remedy="write https://host/path")


def _is_web_address(url: str) -> bool:
    try:
        parts = urlsplit(url)
        has_port = parts.port is None or parts.port > 0
    except ValueError:
        return False
    is_plain = url.isascii() and url.isprintable() and " " not in url
    return parts.scheme in ("http", "https") and bool(parts.hostname) and has_port and is_plain


def _wrong_executable(executable: str, reason: str, remedy: str) -> Problem:
    """Return a problem that shows the executable, but none of its arguments."""
    return Problem(key=_COMMAND, value=written(("hook", "executable"), executable), reason=reason, remedy=remedy)


def _executable(path: Path) -> Iterator[Problem]:
    """Check the first part of the command: what runs as this user must be nobody else's to change."""
    if not path.is_absolute():
        reason = "the executable must be named by its whole path; no shell reads this"
        yield Problem(key=_COMMAND, reason=reason, remedy=_FIRST)
        return
    try:
        mode, folder = path.stat().st_mode, path.parent.stat().st_mode
    except OSError as error:
        shown, blank, _ = str(path).partition(" ")  # what follows may be arguments that were not separated from it
        remedy = f"{_FIRST}: each argument is a text of its own" if blank else "check its path"
        yield _wrong_executable(shown, f"the executable cannot be found ({error.strerror})", remedy)
        return
    if not stat.S_ISREG(mode) or not os.access(path, os.X_OK):
        yield _wrong_executable(str(path), "this user cannot execute it", "name a file and give it mode 755")
    elif mode & stat.S_IWOTH:
        yield _wrong_executable(str(path), "every user may change it, and it would run as this one", "give it mode 755")
    elif folder & stat.S_IWOTH and not folder & stat.S_ISVTX:
        reason = "every user may put another file in its place, and it would run as this one"
        yield _wrong_executable(str(path), reason, f"give {path.parent} mode 755")
