"""Tell the night of the demonstration: the vat, the person, and what a listener at the broker receives.

Law: the narrator knows only what arrives over MQTT, as a hub would; the person acts only through MQTT and the command
line, as a person would.
"""

import json
from dataclasses import dataclass, field
from queue import Empty, SimpleQueue
from typing import Any

import click
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from logger.demo.parts import LOOPBACK

VAT = "marrow"
PROBE = "marrow-probe"
ROOT = "simulated/vatvigil-demo"
HOURS = 14.0
EVENING = "2026-11-24"
CONFIG = """\
# Written by `vatvigil demo`. SIMULATED: nothing that this configuration watches is real.
[simulation]
speed = {speed}
epoch = 2026-11-24T18:00:00Z
epoch_monotonic_s = {begins_s}

[store]
path = "night.db"

[mqtt]
host = "127.0.0.1"
port = {broker}
protocol = 311
base_topic = "vatvigil-demo"
client_id = "vatvigil-demo"
heartbeat_s = 5

[probe.marrow-probe]
port = "{port}"
poll_s = 60
timeout_s = 1.0

[vat.marrow]
name = "Marrow"
probe = "marrow-probe"

[vat.marrow.alarm.ph-high]      # the mash must not lose its acid
setpoint = 5.5
[vat.marrow.alarm.ph-low]       # sour enough: time to move it to the cool room
setpoint = 4.45
[vat.marrow.alarm.temperature-low]
setpoint = 18.0
deadband = 0.4
on_delay_s = 1800
"""
STORY = (
    "A lidded steel vat called Marrow holds 380 litres of Nightroot: a coarse mash of",
    "black radish, beetroot and celeriac in 2.6 % brine, with starter, third day.",
    "It is 18:00. Everybody goes home; the probe and vatvigil stay.",
)
HAPPENINGS = (
    (1.17, "somebody stirs the vat once more: the readings spike"),
    (2.1, "the heater of the room fails, unseen"),
    (3.27, "the serial adaptor works loose for nine minutes"),
    (5.0, "the heater is back"),
    (11.43, "something falls against the probe"),
    (12.13, "the probe stands right again"),
)
"""What the simulator does, in hours from the beginning; said by the narrator, not seen by the daemon."""
ACKNOWLEDGED_AFTER_H = 0.3


@dataclass(slots=True)
class Tally:
    """What the listener heard."""

    measurements: int = 0
    events: list[dict[str, Any]] = field(default_factory=list)

    def raised(self) -> list[dict[str, Any]]:
        """Return the annunciations."""
        return [event for event in self.events if event["annunciates"]]


class Listener:
    """Subscribes to everything the daemon says, and tells it as it comes."""

    def __init__(self, port: int) -> None:
        """Connect to the broker on the loopback."""
        self.tally = Tally()
        self._queue: SimpleQueue[tuple[str, dict[str, Any]]] = SimpleQueue()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
        self._client.on_connect = lambda client, *_: client.subscribe(f"{ROOT}/#", qos=1)
        self._client.on_message = self._on_message
        self._client.connect(LOOPBACK, port)
        self._client.loop_start()
        self._waiting = list(HAPPENINGS)
        self._presses: list[tuple[float, str, int]] = []
        self._shown_h = -1.0

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def narrate(self, now_h: float, timeout_s: float) -> None:
        """Tell what is due by now, and what arrives within the time."""
        while self._waiting and self._waiting[0][0] <= now_h:
            hour, text = self._waiting.pop(0)
            _print(hour, f"({text})", dim=True)
        for press in [p for p in self._presses if p[0] <= now_h]:
            self._presses.remove(press)
            self._press(*press)
        try:
            topic, content = self._queue.get(timeout=timeout_s)
        except Empty:
            return
        if topic.endswith("/measurement"):
            self._on_measurement(content)
        elif topic.endswith("/event"):
            self._on_event(content)

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        if message.payload and not message.topic.startswith(f"{ROOT}/command"):
            self._queue.put((message.topic, json.loads(message.payload)))

    def _on_measurement(self, content: dict[str, Any]) -> None:
        self.tally.measurements += 1
        hour = hours(content["at"])
        if hour >= self._shown_h + 1.0:
            self._shown_h = float(int(hour))
            _print(hour, _reading(content))

    def _on_event(self, content: dict[str, Any]) -> None:
        self.tally.events.append(content)
        hour = hours(content["at"])
        if content["annunciates"]:
            _print(hour, f"ALARM {content['alarm']} ({content['priority']}): {content['text']}", bold=True)
            if content["alarm"] == "temperature-low":
                self._presses.append((hour + ACKNOWLEDGED_AFTER_H, content["alarm"], content["occurrence"]))
        elif content["alarm"]:
            detail = "" if content["text"] == content["cause"] else f": {content['text']}"
            _print(hour, f"{content['alarm']} {content['cause']}{detail}")
        else:
            _print(hour, content["text"])

    def _press(self, hour: float, alarm: str, occurrence: int) -> None:
        _print(hour, f"(the person presses Acknowledge on the hub: {alarm}, occurrence {occurrence})", dim=True)
        topic = f"{ROOT}/command/{VAT}/{alarm}/acknowledge"
        self._client.publish(topic, json.dumps({"occurrence": occurrence}), qos=1)


def hours(at: str) -> float:
    """Return the hours since 18:00 of an RFC 3339 time of this night."""
    clock = at.partition("T")[2]
    since_noon = (int(clock[:2]) + int(clock[3:5]) / 60 + float(clock[6:].rstrip("Z")) / 3600 - 12.0) % 24.0
    return since_noon - 6.0


def _reading(content: dict[str, Any]) -> str:
    if content["ph"] is None:
        return str(content["verdict"])
    if content["belief"] == "not-believed":  # its uncertainty is that of a probe in the vat
        return f"reads {content['ph']:.2f}, not believed"
    spread = content["expanded_uncertainty_ph"]
    return f"pH {content['ph']:.2f} +/- {spread:.2f}   {content['temperature_c']:.1f} C   {content['belief']}"


def _print(hour: float, text: str, *, bold: bool = False, dim: bool = False) -> None:
    minutes = round(hour * 60) + 18 * 60
    stamp = f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"
    wrapped = click.wrap_text(text, width=79, initial_indent=f"{stamp}  ", subsequent_indent="       ")
    click.secho(wrapped, bold=bold, dim=dim)
