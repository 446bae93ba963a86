"""Real mosquitto brokers on free loopback ports, and a real subscriber to look at what arrives there."""

import os
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

import pytest
from paho.mqtt.client import Client as Paho
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.parts.waiting import wait_until

START_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificates:
    """PEM files of a throw-away authority, a broker named localhost, and a client."""

    ca: Path
    broker: Path
    broker_key: Path
    client: Path
    client_key: Path


@dataclass(slots=True, kw_only=True)
class Mosquitto:
    """One broker; `stop` and `start` keep its port and, with persistence, what it retains."""

    folder: Path
    port: int
    tls: Certificates | None = None
    _process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start and wait until it takes connections."""
        with (self.folder / "log").open("ab") as log:
            command = [_found("mosquitto"), "-c", str(self.folder / "mosquitto.conf")]
            self._process = subprocess.Popen(command, stdout=log, stderr=log)
        wait_until(self._answers, START_S, lambda: f"mosquitto did not start:\n{self.log}")

    def stop(self) -> None:
        """End it in good order (it writes its persistence)."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it at once."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Let it keep its connections but answer nothing, until `thaw`."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Undo `freeze`."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    @property
    def log(self) -> str:
        """What it printed so far."""
        return (self.folder / "log").read_text(errors="replace")

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, f"mosquitto ended:\n{self.log}"
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
        except OSError:
            return False
        return True

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)
            self._process.send_signal(signal.SIGCONT)
            self._process.wait(START_S)
            self._process = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """One message as a subscriber saw it."""

    topic: str
    payload: str
    retain: bool


@dataclass(slots=True, kw_only=True)
class Subscriber:
    """Another MQTT 5 client of the same broker; collects what arrives. Use as a context manager."""

    port: int
    filters: Sequence[str] = ("#",)
    name: str = "subscriber"
    session_s: int = 0
    """Longer than 0: the broker keeps messages for it while it is away."""
    username: str | None = None
    password: str | None = None
    received: list[Received] = field(default_factory=list)
    _ready: threading.Event = field(default_factory=threading.Event)
    _paho: Paho = field(init=False)

    def __enter__(self) -> Self:
        """Connect, and wait until the broker has confirmed the subscription."""
        version2, version5 = CallbackAPIVersion.VERSION2, MQTTProtocolVersion.MQTTv5
        self._paho = Paho(version2, client_id=self.name, protocol=version5)
        self._paho.username_pw_set(self.username, self.password)
        self._paho.on_connect = lambda *_: self._subscribe()
        self._paho.on_subscribe = lambda *_: self._ready.set()
        self._paho.on_message = self._on_message
        self._paho.reconnect_delay_set(1, 1)
        kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho leaves it without types
        kept.SessionExpiryInterval = self.session_s
        self._paho.connect("127.0.0.1", self.port, clean_start=not self.session_s, properties=kept)
        self._paho.loop_start()
        self.wait_until_subscribed()
        return self

    def __exit__(self, *_: object) -> None:
        """Disconnect."""
        self._paho.disconnect()
        self._paho.loop_stop()

    @property
    def is_connected(self) -> bool:
        """Whether it is connected now; it connects anew by itself."""
        return self._paho.is_connected()

    def forget_subscription(self) -> None:
        """Let `wait_until_subscribed` wait for the next confirmation: the broker has died."""
        self._ready.clear()

    def wait_until_subscribed(self) -> None:
        """Wait until the broker has confirmed the subscription."""
        assert self._ready.wait(START_S), "the subscriber could not subscribe"

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        """Send something and wait until the broker has it."""
        self._paho.publish(topic, payload, qos=1, retain=retain).wait_for_publish(START_S)

    def on(self, topic: str) -> list[str]:
        """Return the payloads received on a topic so far."""
        return [message.payload for message in self.received if message.topic == topic]

    def wait_for(self, topic: str, count: int = 1, seconds: float = START_S) -> list[str]:
        """Wait for so many messages on a topic, and return their payloads."""
        wait_until(lambda: len(self.on(topic)) >= count, seconds, lambda: f"on {topic} only {self.on(topic)}")
        return self.on(topic)

    def _subscribe(self) -> None:
        options = SubscribeOptions(qos=1, retainAsPublished=True)
        self._paho.subscribe([(topic, options) for topic in self.filters])

    def _on_message(self, _paho: Paho, _data: object, message: MQTTMessage) -> None:
        payload = bytes(message.payload).decode(errors="replace")
        self.received.append(Received(topic=message.topic, payload=payload, retain=bool(message.retain)))


def free_port() -> int:
    """Return a TCP port that was free a moment ago."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def _found(program: str) -> str:
    """Return the path of a program, or skip the test and say how to get it."""
    path = shutil.which(program)
    if path is None:
        pytest.skip(f"{program} not found: apt-get install {program.partition('_')[0]}")
    return path


MakeMosquitto = Callable[..., Mosquitto]


@pytest.fixture
def mosquitto() -> Iterator[MakeMosquitto]:
    """Make brokers: `mosquitto(passwords=, tls=, client_certificates=, acl=, persistent=, start=)`."""
    _found("mosquitto")
    made: list[Mosquitto] = []
    with tempfile.TemporaryDirectory(prefix="vatvigil-mosquitto-") as folder:

        def make(*, start: bool = True, **options: object) -> Mosquitto:
            broker = _configured(Path(folder) / str(len(made)), **options)  # type: ignore[arg-type]
            made.append(broker)
            if start:
                broker.start()
            return broker

        yield make
        for broker in made:
            broker.kill()


def _configured(
    folder: Path,
    *,
    passwords: dict[str, str] | None = None,
    tls: Certificates | None = None,
    client_certificates: bool = False,
    acl: str | None = None,
    persistent: bool = False,
) -> Mosquitto:
    folder.mkdir()
    port = free_port()
    lines = [f"listener {port} 127.0.0.1", "connection_messages true", "set_tcp_nodelay true"]
    lines += ["user root"] if os.geteuid() == 0 else []  # else it drops root and cannot read its own folder
    lines += [f"allow_anonymous {'false' if passwords else 'true'}"]
    lines += [f"password_file {_password_file(folder, passwords)}"] if passwords else []
    if tls:
        lines += [f"cafile {tls.ca}", f"certfile {tls.broker}", f"keyfile {tls.broker_key}"]
        lines += [f"require_certificate {'true' if client_certificates else 'false'}"]
    if acl is not None:
        (folder / "acl").write_text(acl)
        lines += [f"acl_file {folder / 'acl'}"]
    if persistent:
        lines += ["persistence true", f"persistence_location {folder}/"]
    (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")
    return Mosquitto(folder=folder, port=port, tls=tls)


def _password_file(folder: Path, passwords: dict[str, str]) -> Path:
    file = folder / "passwords"
    file.write_text("".join(f"{user}:{password}\n" for user, password in passwords.items()))
    subprocess.run([_found("mosquitto_passwd"), "-U", str(file)], check=True, capture_output=True)
    return file


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """Make an authority and what it signed, by the openssl command."""
    folder = tmp_path_factory.mktemp("certificates")
    _openssl(folder, "req -x509 -nodes -newkey rsa:2048 -days 2 -subj /CN=test-authority -keyout ca.key -out ca.pem")
    (folder / "localhost.ext").write_text("subjectAltName=DNS:localhost\n")
    (folder / "watch.ext").write_text("subjectAltName=DNS:watch\n")
    for name in ("localhost", "watch"):
        _openssl(folder, f"req -nodes -newkey rsa:2048 -subj /CN={name} -keyout {name}.key -out {name}.csr")
        signing = f"x509 -req -in {name}.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2"
        _openssl(folder, f"{signing} -extfile {name}.ext -out {name}.pem")
    return Certificates(
        ca=folder / "ca.pem",
        broker=folder / "localhost.pem",
        broker_key=folder / "localhost.key",
        client=folder / "watch.pem",
        client_key=folder / "watch.key",
    )


def _openssl(folder: Path, arguments: str) -> None:
    subprocess.run([_found("openssl"), *arguments.split()], cwd=folder, check=True, capture_output=True)
