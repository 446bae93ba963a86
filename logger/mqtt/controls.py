"""Declares the entities by which a person gives commands from the hub: buttons, a text and numbers.

Law: pure. What speaks of an occurrence carries it in its payload and is announced anew at each annunciation, so a late
press cannot silence the next one. Whatever is not idempotent by that says by a template when it was sent: too old, it
is refused; repeated, it is recognised. A hub without templates sends `payload_press` or the bare value: for litres it
needs the template.
"""

from collections.abc import Callable, Mapping

from logger.config import VatConfig
from logger.model import Mark
from logger.model.figures import LITRES, LONGEST_TEXT, SPOT_PH
from logger.mqtt.command_forms import STRIP_U_PH, AcknowledgeForm, CommandForm, MarkForm, ShelveForm
from logger.mqtt.entity import Entity, Scope, Value
from logger.mqtt.payloads import json_text

SHELVE_MINUTES = 60
"""What the shelve button asks for, where the vat allows that much (common practice, no source)."""
METER_U_PH = 0.05
"""Standard uncertainty of a hand meter calibrated this week (common practice, no source)."""
_PRESSED = (Mark.STIRRED, Mark.PROBE_OUT, Mark.PROBE_IN, Mark.STARTED)
_NUMBER: Mapping[str, Value] = {"retain": False, "mode": "box"}
_AT = '"at":"{{ utcnow().isoformat() }}"'


def _is_main(vat: VatConfig) -> bool:
    """Tell whether a vat is no second probe of another: what a person says is of the vat itself."""
    return not vat.reference_of


def _mark_topic(scope: Scope) -> str:
    return scope.topics.mark(scope.vat.id)


def _shelve_minutes(scope: Scope) -> int:
    return min(SHELVE_MINUTES, int(scope.vat.max_shelve_s // 60)) or 1


def _button_keys(
    topic: Callable[[Scope], str], form: Callable[[Scope], CommandForm], *, is_dated: bool = True
) -> Mapping[str, Value]:
    """Return the keys of a button that sends a form; `is_dated`: with the time of the press."""

    def dated(scope: Scope) -> str:
        return f"{json_text(form(scope))[:-1]},{_AT}}}"

    template: Mapping[str, Value] = {"command_template": dated} if is_dated else {}
    return {"command_topic": topic, "payload_press": lambda scope: json_text(form(scope)), "retain": False, **template}


def _mark_button(mark: Mark) -> Entity:
    keys = _button_keys(_mark_topic, lambda _scope: MarkForm(mark=mark))
    name = f"Mark {mark.replace('-', ' ')}"
    return Entity(component="button", key=("mark", mark), content={"name": name, **keys}, is_of=_is_main)


def _spot_number(instrument: str, u_ph: float) -> Entity:
    content: Mapping[str, Value] = {
        "name": f"Spot pH by {instrument}",
        "command_topic": lambda scope: scope.topics.spot(scope.vat.id),
        "command_template": f'{{"ph":{{{{ value }}}},"u":{u_ph},"instrument":"{instrument}",{_AT}}}',
        "min": SPOT_PH.low,
        "max": SPOT_PH.high,
        "step": 0.01,
        **_NUMBER,
    }
    return Entity(component="number", key=("spot", instrument), content=content, is_of=_is_main)


ALARM_ENTITIES = (
    Entity(
        component="button",
        key=("acknowledge",),
        content={
            "name": lambda scope: f"Acknowledge {scope.alarm_words}",
            **_button_keys(
                lambda scope: scope.topics.acknowledge(scope.vat.id, scope.alarm),
                lambda scope: AcknowledgeForm(occurrence=scope.occurrence),
                is_dated=False,
            ),
        },
    ),
    Entity(
        component="button",
        key=("shelve",),
        content={
            "name": lambda scope: f"Shelve {scope.alarm_words} for {_shelve_minutes(scope)} min",
            **_button_keys(
                lambda scope: scope.topics.shelve(scope.vat.id, scope.alarm),
                lambda scope: ShelveForm(minutes=_shelve_minutes(scope), occurrence=scope.occurrence),
            ),
        },
    ),
)
ENTITIES = (
    *(_mark_button(mark) for mark in _PRESSED),
    Entity(
        component="number",
        key=("mark", Mark.TOPPED_UP),
        content={
            "command_topic": _mark_topic,
            "command_template": f'{{"mark":"{Mark.TOPPED_UP}","litres":{{{{ value }}}},{_AT}}}',
            **_NUMBER,
            "name": "Mark topped up",
            "unit_of_measurement": "L",
            "max": LITRES.high,
            "step": 0.1,
            "min": 0.1,
        },
        is_of=_is_main,
    ),
    Entity(
        component="text",
        key=("note",),
        content={
            "name": "Note",
            "command_topic": lambda scope: scope.topics.note(scope.vat.id),
            "command_template": f'{{"text":{{{{ value | tojson }}}},{_AT}}}',
            "min": 1,
            "max": LONGEST_TEXT,
            "retain": False,
        },
        is_of=_is_main,
    ),
    _spot_number("meter", METER_U_PH),
    _spot_number("strip", STRIP_U_PH),
)
