"""The heartbeat tells how old the newest believed reading is by the steady clock."""

import json
from pathlib import Path

from logger.config import MqttConfig
from logger.daemon.clock import ClockReading
from logger.daemon.publisher import Publisher
from logger.model import Carry, ReportedState
from logger.mqtt.entity import Software
from logger.mqtt.messages import Message
from tests.daemon.factories import SECOND_US, config_of
from tests.series import EPOCH_US

HOUR_US = 3600 * SECOND_US


def test_a_wall_clock_that_was_set_back_makes_no_old_reading_fresh(tmp_path: Path) -> None:
    mqtt = MqttConfig(host="127.0.0.1", port=1)
    hub = Publisher(
        config=config_of(tmp_path, mqtt=mqtt), mqtt=mqtt, software=Software(version="0"), store="a", post=print
    )
    sent: list[Message] = []

    def publish(message: Message) -> int:
        sent.append(message)
        return len(sent)

    hub.delivery.publish, hub.delivery.connected = publish, True
    carry = Carry(probe="probe", reported=ReportedState(believed_at_us=EPOCH_US, believed_us=HOUR_US))
    # The probe has given nothing for two hours; one hour ago the clock was set back by four.
    now = ClockReading(at_us=EPOCH_US - 2 * HOUR_US, elapsed_us=3 * HOUR_US)
    hub.publish_heartbeat({"vat": carry}, 0, None, now=now, now_us=0)
    hub.delivery.pump(0)
    (beat,) = (json.loads(message.payload) for message in sent)
    assert beat["believed_age_s"] == {"vat": 7200.0}
