"""What a person can do from the hub: buttons, a text and numbers that send commands.

Law: pure. What speaks of an occurrence carries it in its payload and is announced anew at each annunciation, so a late
press cannot silence the next one. Whatever is not idempotent by that says by a template when it was sent: too old, it
is refused; repeated, it is recognised. A hub without templates sends `payload_press` or the bare value: for litres it
needs the template.
"""

from collections.abc import Iterator

from logger.config import AlarmConfig, VatConfig
from logger.model import Mark
from logger.model.figures import LITRES, LONGEST_TEXT, SPOT_PH
from logger.mqtt.commands import STRIP_U_PH
from logger.mqtt.entity import EntityFactory, Json, alarm_words
from logger.mqtt.messages import Message
from logger.mqtt.payloads import json_text

SHELVE_MINUTES = 60
"""What the shelve button asks for, where the vat allows that much. [CP]"""
METER_U_PH = 0.05
"""Standard uncertainty of a hand meter calibrated this week. [CP]"""
_PRESSED = (Mark.STIRRED, Mark.PROBE_OUT, Mark.PROBE_IN, Mark.STARTED)
_NUMBER: Json = {"retain": False, "mode": "box"}
_AT = '"at":"{{ utcnow().isoformat() }}"'


def of_alarm(frame: EntityFactory, vat: VatConfig, alarm: AlarmConfig, *, occurrence: int) -> Iterator[Message]:
    """Yield the buttons that acknowledge and shelve `occurrence`; send them anew at each annunciation."""
    words = alarm_words(vat, alarm)
    press = json_text({"occurrence": occurrence})
    acknowledge, shelve = frame.topics.acknowledge(vat.id, alarm.id), frame.topics.shelve(vat.id, alarm.id)
    yield _button(frame, vat, alarm.id, "acknowledge", name=f"Acknowledge {words}", topic=acknowledge, press=press)
    minutes = min(SHELVE_MINUTES, int(vat.max_shelve_s // 60)) or 1
    press = json_text({"minutes": minutes, "occurrence": occurrence})
    name = f"Shelve {words} for {minutes} min"
    yield _button(frame, vat, alarm.id, "shelve", name=name, topic=shelve, press=press, is_dated=True)


def of_vat(frame: EntityFactory, vat: VatConfig) -> Iterator[Message]:
    """Yield what a person says of a vat: marks, a note, what another instrument shows in the brine."""
    topic = frame.topics.mark(vat.id)
    for mark in _PRESSED:
        name, press = f"Mark {mark.replace('-', ' ')}", json_text({"mark": mark})
        yield _button(frame, vat, "mark", mark, name=name, topic=topic, press=press, is_dated=True)
    said = f'{{"mark":"{Mark.TOPPED_UP}","litres":{{{{ value }}}},{_AT}}}'
    litres: Json = {"name": "Mark topped up", "unit_of_measurement": "L", "max": LITRES.high, "step": 0.1, "min": 0.1}
    yield frame.of_vat(
        vat, "number", "mark", Mark.TOPPED_UP, command_topic=topic, command_template=said, **_NUMBER, **litres
    )
    yield frame.of_vat(
        vat,
        "text",
        "note",
        name="Note",
        command_topic=frame.topics.note(vat.id),
        command_template=f'{{"text":{{{{ value | tojson }}}},{_AT}}}',
        min=1,
        max=LONGEST_TEXT,
        retain=False,
    )
    topic, ph = frame.topics.spot(vat.id), {"min": SPOT_PH.low, "max": SPOT_PH.high, "step": 0.01}
    for instrument, u_ph in (("meter", METER_U_PH), ("strip", STRIP_U_PH)):
        name, said = f"Spot pH by {instrument}", f'"u":{u_ph},"instrument":"{instrument}",{_AT}'
        said = f'{{"ph":{{{{ value }}}},{said}}}'
        yield frame.of_vat(
            vat,
            "number",
            "spot",
            instrument,
            name=name,
            command_topic=topic,
            command_template=said,
            **ph,
            **_NUMBER,
        )


def _button(
    frame: EntityFactory, vat: VatConfig, *parts: str, name: str, topic: str, press: str, is_dated: bool = False
) -> Message:
    dated = {"command_template": f"{press[:-1]},{_AT}}}"} if is_dated else {}
    fixed = {"name": name, "command_topic": topic, "payload_press": press, "retain": False}
    return frame.of_vat(vat, "button", *parts, **fixed, **dated)
