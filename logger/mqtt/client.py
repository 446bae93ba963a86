"""Connects to the broker with paho-mqtt, which queues and acknowledges nothing by itself here.

Law: nothing is queued here. A message is handed to the network only while connected, and what the broker has not
answered when the connection ends is dropped: only the outbox sends again. An inbound message is acknowledged when its
receipt is handed back, not before: until then the broker keeps it, also if this process dies, and sends it again.
Callbacks run in the network thread; they never raise (that would end the thread) and only post events. The password
appears in no message.
"""

import logging
import socket
import ssl
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from threading import Thread
from typing import Any

from paho.mqtt.client import Client as Paho
from paho.mqtt.client import ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from logger.config import MqttConfig
from logger.errors import ConfigurationError
from logger.mqtt.messages import (
    Connected,
    Disconnected,
    Incoming,
    Message,
    NetworkEvent,
    PublishAccepted,
    PublishRefused,
    Receipt,
    SubscriptionRefused,
)

log = logging.getLogger(__name__)

SESSION_EXPIRY_S = 3600
"""How long the broker keeps commands for a daemon that is away; older ones would surprise."""
LONGEST_RECONNECT_S = 30
WRITE_S, WRITE_SLICE_S = 0.005, 0.0001
"""How long `let_write` waits at most, and between looks."""
STOP_S = 0.5
"""How long `stop` waits for each of: the broker's PUBACK of our `offline`, the end of the thread."""
_NO_MATCHING_SUBSCRIBERS = 0x10
"""MQTT 5.0, table 3-4."""
_BAD_CREDENTIALS = {0x86, 0x87}
"""Bad user name or password, not authorized (MQTT 5.0, table 3-1; paho maps 3.1.1's return codes 4 and 5 to them)."""
_SESSION_TAKEN_OVER = 0x8E


@dataclass(slots=True, kw_only=True)
class Client:
    """One connection under one fixed client id. `start`, then `publish` while connected, then `stop`.

    Raises ConfigurationError for a host that cannot be a name and for certificates that cannot be loaded. `will` is
    sent by the broker when the connection breaks, and by `stop`.
    """

    config: MqttConfig
    will: Message
    subscriptions: tuple[str, ...]
    """Topic filters to subscribe to at QoS 1."""
    qos0_subscriptions: tuple[str, ...] = ()
    """The same at QoS 0: for messages of no use once they are old."""
    post: Callable[[NetworkEvent], None]
    """Takes each event, in the network thread: put it into a queue."""
    _paho: Paho = field(init=False)
    _connected: bool = False
    _connection: int = 0
    """Counts the connections: a receipt of an earlier one would be taken for another message."""
    _explained: bool = False
    """The broker refused the connection and said why; its end, which follows, needs no event."""

    def __post_init__(self) -> None:
        """Build the connection, without touching the network."""
        self._paho = _paho(self.config)
        if self.config.username is not None:
            self._paho.username_pw_set(self.config.username, self.config.password)
        if self.config.tls:
            self._paho.tls_set_context(_tls(self.config))
        self._paho.will_set(self.will.topic, self.will.payload, qos=1, retain=True)
        self._paho.reconnect_delay_set(1, LONGEST_RECONNECT_S)
        self._paho.on_connect = _guarded(self._on_connect)
        self._paho.on_connect_fail = _guarded(self._on_connect_fail)
        self._paho.on_disconnect = _guarded(self._on_disconnect)
        self._paho.on_publish = _guarded(self._on_publish)
        self._paho.on_subscribe = _guarded(self._on_subscribe)
        self._paho.on_message = _guarded(self._on_message)

    def start(self) -> None:
        """Connect in the background and go on trying; returns at once."""
        config = self.config
        if config.protocol == MQTTProtocolVersion.MQTTv5:
            kept = _properties(PacketTypes.CONNECT)
            kept.SessionExpiryInterval = SESSION_EXPIRY_S
            self._paho.connect_async(config.host, config.port, config.keepalive_s, clean_start=False, properties=kept)
        else:
            self._paho.connect_async(config.host, config.port, config.keepalive_s)
        self._paho.loop_start()

    def publish(self, message: Message) -> int | None:
        """Hand a message to the network at QoS 1; return its number, None (and nothing is kept) if not connected."""
        if not self._connected:
            return None
        properties = None
        if message.expiry_s is not None and self._is_version_5:
            properties = _properties(PacketTypes.PUBLISH)
            properties.MessageExpiryInterval = message.expiry_s
        info = self._paho.publish(
            message.topic, message.payload.encode(), qos=1, retain=message.retain, properties=properties
        )
        return info.mid if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else None

    def let_write(self) -> None:
        """Let the network's thread write what was handed over, for a moment: it waits for who computes on."""
        until = time.monotonic() + WRITE_S
        while self._paho.want_write() and time.monotonic() < until:
            time.sleep(WRITE_SLICE_S)

    def acknowledge(self, receipts: Iterable[Receipt]) -> None:
        """Tell the broker that these need not be sent again; those of an earlier connection come again in any case."""
        for receipt in receipts:
            if self._connected and receipt.connection == self._connection:
                self._paho.ack(receipt.mid, qos=1)

    def reconnect(self) -> None:
        """Drop the connection; the network thread notices and connects anew. If the thread has died, start another."""
        self._close_connection()
        self._paho.loop_start()  # does nothing while a thread lives

    def stop(self) -> None:
        """Say offline (if connected) and disconnect; returns within about 3 x STOP_S whatever the broker does."""
        if self._connected:
            info = self._paho.publish(self.will.topic, self.will.payload.encode(), qos=1, retain=True)
            if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
                info.wait_for_publish(STOP_S)
        self._paho.disconnect()
        end = Thread(target=self._paho.loop_stop, name="mqtt-stop", daemon=True)
        end.start()
        end.join(STOP_S)
        if end.is_alive():
            self._close_connection()
            end.join(STOP_S)
        self._drop_callbacks()

    def _drop_callbacks(self) -> None:
        """Break the circle of references, so that what the library holds is closed now, not by the collector."""
        self._paho.on_connect = self._paho.on_connect_fail = self._paho.on_disconnect = None
        self._paho.on_publish = self._paho.on_subscribe = self._paho.on_message = None

    def _close_connection(self) -> None:
        connection = self._paho.socket()
        if isinstance(connection, socket.socket):
            try:
                connection.shutdown(socket.SHUT_RDWR)
            except OSError as error:
                log.debug("The connection was down already: %s", error)

    def _on_connect(self, _paho: Paho, _data: object, flags: ConnectFlags, reason: ReasonCode, _: object) -> None:
        self._paho.drop_out_messages()  # only the outbox sends again; paho would do so right after this callback
        if reason.is_failure:
            self._explained = True
            self.post(Disconnected(self._refusal(reason)))
            return
        self._connection += 1
        self._connected, self._explained = True, False
        self._subscribe()
        self.post(Connected(resumed=flags.session_present))

    def _subscribe(self) -> None:
        """Subscribe to commands, the hub's birth and what is wanted at QoS 0.

        `Retain as published` shows a command that its sender retains already when it is sent (MQTT 5.0, 3.8.3.1).
        """
        if self._is_version_5:
            once = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
            options = SubscribeOptions(qos=1, retainAsPublished=True, retainHandling=once)
            now = SubscribeOptions(qos=0)
            at_qos0 = [(topic, now) for topic in self.qos0_subscriptions]
            self._paho.subscribe([*((topic, options) for topic in self.subscriptions), *at_qos0])
        else:
            by_qos = ((1, self.subscriptions), (0, self.qos0_subscriptions))
            self._paho.subscribe([(topic, level) for level, topics in by_qos for topic in topics])

    def _on_connect_fail(self, _paho: Paho, _data: object) -> None:
        """Say why no connection was made: paho calls this while it handles the error."""
        self.post(Disconnected(self._failure(sys.exception())))

    def _on_disconnect(self, _paho: Paho, _data: object, flags: DisconnectFlags, reason: ReasonCode, _: object) -> None:
        was_connected, self._connected = self._connected, False
        explained, self._explained = self._explained, False
        if not explained:
            answer = reason if flags.is_disconnect_packet_from_server else None
            taken_over = answer is not None and answer.value == _SESSION_TAKEN_OVER
            why = self._taken_over if taken_over else self._end(answer, was_connected=was_connected)
            self.post(Disconnected(why, taken_over=taken_over))

    def _on_publish(self, _paho: Paho, _data: object, mid: int, reason: ReasonCode, _: object) -> None:
        if reason.is_failure:
            self.post(PublishRefused(mid, str(reason)))
        else:
            self.post(PublishAccepted(mid, subscribers=reason.value != _NO_MATCHING_SUBSCRIBERS))

    def _on_subscribe(self, _paho: Paho, _data: object, _mid: int, reasons: list[ReasonCode], _: object) -> None:
        refused = [  # of `subscriptions`, which come first
            f"{topic} ({reason})"
            for topic, reason in zip(self.subscriptions, reasons, strict=False)
            if reason.is_failure
        ]
        if refused:
            self.post(
                SubscriptionRefused(
                    f"The broker does not let us listen to {', '.join(refused)}: check its access rules."
                )
            )

    def _on_message(self, _paho: Paho, _data: object, message: MQTTMessage) -> None:
        receipt = Receipt(message.mid, self._connection) if message.qos else None
        try:
            topic = message.topic
        except UnicodeDecodeError:  # forbidden (MQTT 5.0, 1.5.4); unanswered, it would come for ever
            log.warning("The broker sent a message on a topic that is no text")
            self.acknowledge([receipt] if receipt else [])
            return
        self.post(Incoming(topic, bytes(message.payload), bool(message.retain), receipt, bool(message.dup)))

    @property
    def _is_version_5(self) -> bool:
        return self.config.protocol == MQTTProtocolVersion.MQTTv5

    @property
    def _broker(self) -> str:
        return f"broker {self.config.host}:{self.config.port}"

    def _refusal(self, reason: ReasonCode) -> str:
        whom = f"user {self.config.username!r}" if self.config.username is not None else "a client without user name"
        remedy = "check mqtt.username and the password" if reason.value in _BAD_CREDENTIALS else "check its log"
        return f"The {self._broker} refuses {whom}: {reason}; {remedy}."

    def _failure(self, error: BaseException | None) -> str:
        if isinstance(error, ssl.SSLCertVerificationError):
            return (
                f"The {self._broker} shows a certificate that is not trusted: {error.verify_message}; "
                "check mqtt.ca_file and that mqtt.host is the name in the certificate."
            )
        if isinstance(error, ssl.SSLError):
            reason = error.reason or error
            return f"No TLS connection to {self._broker}: {reason}; check mqtt.tls, mqtt.port and the certificates."
        if isinstance(error, socket.gaierror):
            return f"The name of {self._broker} is not known: {error.strerror}; check mqtt.host."
        return f"No connection to {self._broker}: {error}; check that it runs, and mqtt.host, mqtt.port and mqtt.tls."

    @property
    def _taken_over(self) -> str:
        return f"Another client took over the id {self.config.client_id!r} at {self._broker}: give each its own."

    def _end(self, answer: ReasonCode | None, *, was_connected: bool) -> str:
        if was_connected:
            return (
                f"The connection to {self._broker} ended: {answer or 'it said nothing'}; if this goes on, "
                f"check that no other client uses the id {self.config.client_id!r}."
            )
        return (
            f"The {self._broker} closed the connection before it answered; "
            "check mqtt.port, mqtt.tls, mqtt.protocol and the client certificate."
        )


class _TlsSocket(ssl.SSLSocket):
    """A TLS connection that closes itself when the handshake fails; paho would leave it open."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - the signature of ssl.SSLSocket
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _guarded(callback: Callable[..., None]) -> Callable[..., None]:
    """Log whatever goes wrong in a callback, so that it does not end the network thread."""

    def guarded(*args: Any) -> None:  # noqa: ANN401 - each of paho's callbacks has its own arguments
        try:
            callback(*args)
        except Exception:  # a callback that raises ends paho's thread, and with it all alarms by MQTT
            log.exception("A callback of the MQTT client failed")

    return guarded


def _properties(packet: int) -> Properties:
    return Properties(packet)  # type: ignore[no-untyped-call] # paho leaves this constructor without types


def _paho(config: MqttConfig) -> Paho:
    _check_host(config.host)
    version2 = CallbackAPIVersion.VERSION2
    if config.protocol == MQTTProtocolVersion.MQTTv5:
        return Paho(version2, client_id=config.client_id, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True)
    old = MQTTProtocolVersion.MQTTv311
    return Paho(version2, client_id=config.client_id, protocol=old, clean_session=False, manual_ack=True)


def _check_host(host: str) -> None:
    """Refuse what could not even be looked up: it would end the network thread (RFC 5890 and RFC 1035, 2.3.4)."""
    try:
        usable = bool(host.encode("idna"))
    except UnicodeError:
        usable = False
    if not usable:
        raise ConfigurationError(f"mqtt.host: {host!r} cannot be a host name; give a name or an address")


def _tls(config: MqttConfig) -> ssl.SSLContext:
    """Return the certificates to trust and our own; never asks for a key's passphrase on a terminal."""
    try:
        context = ssl.create_default_context(cafile=config.ca_file)
    except OSError as error:
        raise ConfigurationError(f"mqtt.ca_file: {config.ca_file} cannot be used: {error}; give a PEM file") from error
    context.sslsocket_class = _TlsSocket
    if config.cert_file is not None:
        try:
            context.load_cert_chain(config.cert_file, config.key_file, password="")
        except OSError as error:
            raise ConfigurationError(
                f"mqtt.cert_file: {config.cert_file} with mqtt.key_file {config.key_file} cannot be used: {error}; "
                "give PEM files that belong together, the key without passphrase"
            ) from error
    return context
