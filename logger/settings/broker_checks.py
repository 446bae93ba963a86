"""What the broker's table must mean to be used. Pure but for one look at each file that it names."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from logger.config import MqttConfig
from logger.settings import ranges
from logger.settings.problems import Key, Problem
from logger.settings.ranges import wrong

_PROTOCOLS: Final = (5, 311)
_FILES: Final = ("ca_file", "cert_file", "key_file")


def broker_problems(mqtt: MqttConfig) -> Iterator[Problem]:
    """Yield what is wrong with the broker's table."""
    yield from _host(mqtt.host)
    yield from ranges.between(("mqtt", "port"), mqtt.port, low=1, high=65535)
    yield from ranges.between(("mqtt", "keepalive_s"), mqtt.keepalive_s, low=5, high=65535)
    yield from ranges.between(("mqtt", "heartbeat_s"), mqtt.heartbeat_s, low=1, high=3600)
    yield from ranges.text(("mqtt", "client_id"), mqtt.client_id, longest=200)
    yield from ranges.text(("mqtt", "username"), mqtt.username, longest=200)
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
        remedy = "use words parted by /, without + # and $, not beginning with /, at most 100 characters"
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
