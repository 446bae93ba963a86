"""What a person can do from the hub: buttons, a text and numbers that send commands.

Law: pure. What speaks of an occurrence carries it in its payload and is announced anew at each annunciation, so a late
press cannot silence the next one. Whatever is not idempotent by that says by a template when it was sent: too old, it
is refused; repeated, it is recognised. A hub without templates sends `payload_press` or the bare value.
"""

from collections.abc import Iterator

from logger.config import AlarmConfig, VatConfig
from logger.mqtt.commands import LONGEST_TEXT, STRIP_U_PH
from logger.mqtt.frame import Frame, alarm_words
from logger.mqtt.messages import Message
from logger.mqtt.payloads import json_text

SHELVE_MINUTES = 60
"""What the shelve button asks for, where the vat allows that much. [CP]"""
METER_U_PH = 0.05
"""Standard uncertainty of a hand meter calibrated this week. [CP]"""
_MARKS = ("probe-out", "probe-in")
_AT = '"at":"{{ utcnow().isoformat() }}"'


def of_alarm(frame: Frame, vat: VatConfig, alarm: AlarmConfig, *, occurrence: int) -> Iterator[Message]:
    """Yield the buttons that acknowledge and shelve `occurrence`; send them anew at each annunciation."""
    words = alarm_words(vat, alarm)
    press = json_text({"occurrence": occurrence})
    acknowledge, shelve = frame.topics.acknowledge(vat.id, alarm.id), frame.topics.shelve(vat.id, alarm.id)
    yield _button(frame, vat, alarm.id, "acknowledge", name=f"Acknowledge {words}", topic=acknowledge, press=press)
    minutes = min(SHELVE_MINUTES, int(vat.max_shelve_s // 60)) or 1
    press = json_text({"minutes": minutes, "occurrence": occurrence})
    name = f"Shelve {words} for {minutes} min"
    yield _button(frame, vat, alarm.id, "shelve", name=name, topic=shelve, press=press, is_dated=True)


def of_vat(frame: Frame, vat: VatConfig) -> Iterator[Message]:
    """Yield what a person says of a vat: marks, a note, what another instrument shows in the brine."""
    for mark in _MARKS:
        name, press = f"Mark {mark.replace('-', ' ')}", json_text({"mark": mark})
        topic = frame.topics.mark(vat.id)
        yield _button(frame, vat, "mark", mark, name=name, topic=topic, press=press, is_dated=True)
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
    for instrument, u_ph in (("meter", METER_U_PH), ("strip", STRIP_U_PH)):
        said = f'{{"ph":{{{{ value }}}},"u":{u_ph},"instrument":"{instrument}",{_AT}}}'
        yield _number(frame, vat, "spot", instrument, name=f"Spot pH by {instrument}", template=said, most=14.0)


def _button(
    frame: Frame, vat: VatConfig, *parts: str, name: str, topic: str, press: str, is_dated: bool = False
) -> Message:
    dated = {"command_template": f"{press[:-1]},{_AT}}}"} if is_dated else {}
    fixed = {"name": name, "command_topic": topic, "payload_press": press, "retain": False}
    return frame.of_vat(vat, "button", *parts, **fixed, **dated)


def _number(frame: Frame, vat: VatConfig, *parts: str, name: str, template: str, most: float) -> Message:
    fixed = {"command_topic": frame.topics.spot(vat.id), "retain": False, "mode": "box", "step": 0.01}
    return frame.of_vat(vat, "number", *parts, name=name, command_template=template, min=0.01, max=most, **fixed)
