"""The least a program can do: poll a SCPI instrument on time, publish when the potential falls below a level.

`python bare_poller.py PORT PERIOD_S BELOW_V BROKER_PORT`; prints `time.monotonic_ns()` of each tick. A pH electrode's
potential falls as pH rises, so below the level is above the setpoint.
"""

import sys
import time
from threading import Event

import serial
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

TOPIC = "bare/event"


def main(port: str, period_s: float, below_v: float, broker: int) -> None:
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", broker)
    client.loop_start()
    line = serial.Serial(port, timeout=1.0, write_timeout=1.0)
    never, is_below, due = Event(), False, time.monotonic()
    while not never.wait(max(0.0, due - time.monotonic())):
        print(time.monotonic_ns(), flush=True)
        potential_v = ask(line, b"MEAS:VOLT:DC?\n")
        ask(line, b"MEAS:TEMP?\n")
        was_below, is_below = is_below, potential_v < below_v
        if is_below and not was_below:
            client.publish(TOPIC, "crossed", qos=1)
        due += period_s


def ask(line: serial.Serial, query: bytes) -> float:
    line.write(query)
    return float(line.read_until(b"\n"))


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]))
