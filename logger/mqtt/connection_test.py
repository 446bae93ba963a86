"""Tests the connection to the broker and leaves nothing there.

Law: a clean session under another client id; no will, no subscription, no message, so that neither the running watch
nor the hub notices. A failure is described in the same sentences as by the client.
"""

from queue import Empty, SimpleQueue

from paho.mqtt.client import Client as Paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from logger.config import MqttConfig
from logger.mqtt.client import Client, _check_host, _guarded, _tls
from logger.mqtt.messages import Disconnected, Message, NetworkEvent
from logger.structs import replace

PATIENCE_S = 8.0
"""Longer than a connection attempt may take (paho's limit is 5 s)."""


class _TestClient(Client):
    """The client without will, session and subscriptions."""

    __slots__ = ()

    def __post_init__(self) -> None:
        _check_host(self.config.host)
        is_5 = self.config.protocol == MQTTProtocolVersion.MQTTv5
        protocol = MQTTProtocolVersion.MQTTv5 if is_5 else MQTTProtocolVersion.MQTTv311
        version2, clean = CallbackAPIVersion.VERSION2, None if is_5 else True
        self._paho = Paho(version2, client_id=self.config.client_id, protocol=protocol, clean_session=clean)
        if self.config.username is not None:
            self._paho.username_pw_set(self.config.username, self.config.password)
        if self.config.tls:
            self._paho.tls_set_context(_tls(self.config))
        self._paho.on_connect = _guarded(self._on_connect)
        self._paho.on_connect_fail = _guarded(self._on_connect_fail)
        self._paho.on_disconnect = _guarded(self._on_disconnect)

    def start(self) -> None:
        """Connect in the background with a session that ends with the connection."""
        self._paho.connect_async(self.config.host, self.config.port, self.config.keepalive_s)
        self._paho.loop_start()

    def stop(self) -> None:
        """Disconnect without the message `offline`."""
        self._connected = False
        super().stop()

    def _subscribe(self) -> None:
        """Subscribe to nothing."""


def trouble(config: MqttConfig, *, name: str, patience_s: float = PATIENCE_S) -> str:
    """Return why the broker does not accept the connection, one sentence; empty: it does.

    `name`: the client id for this test. Raises ConfigurationError for a host that cannot be a name and for
    certificates that cannot be loaded.
    """
    events: SimpleQueue[NetworkEvent] = SimpleQueue()
    client = _TestClient(
        config=replace(config, client_id=name),
        will=Message(topic="", payload=""),
        subscriptions=(),
        post=events.put,
    )
    client.start()
    try:
        event = events.get(timeout=patience_s)
    except Empty:
        broker = f"{config.host}:{config.port}"
        return f"The broker {broker} did not answer within {patience_s:g} s: check mqtt.host and mqtt.port."
    finally:
        client.stop()
    return event.reason if isinstance(event, Disconnected) else ""
