"""Declares the entities by which a person gives commands from the hub: buttons, a text and numbers.

Law: pure. What speaks of an occurrence carries the one that the hub shows now, which it keeps as an attribute of the
button itself; so an automation that presses on the first message of an alarm means that alarm, and a late press cannot
silence the next one. The same stands in `payload_press`, announced anew, for a hub without templates. Whatever is not
idempotent by that says by a template when it was sent: too old, it is refused; repeated, it is recognised.

A box whose state stays what was entered last would not send the same value again: its state is what `said` tells, for
two seconds. What became of a press is an attribute of each entity by which something is said.
"""

import json
from collections.abc import Callable, Mapping
from typing import Any

from logger.model import Mark
from logger.model.figures import LONGEST_TEXT, SPOT_PH
from logger.mqtt.command_forms import (
    STRIP_U_PH,
    AcknowledgeAllForm,
    AcknowledgeForm,
    CommandForm,
    MarkForm,
    ShelveForm,
    UnshelveForm,
)
from logger.mqtt.entity import Entity, Scope, Value, attributes, is_main
from logger.mqtt.payloads import json_text

SHELVE_MINUTES = 60
"""What the shelve button asks for, where the vat allows that much (common practice, no source)."""
METER_U_PH = 0.05
"""Standard uncertainty of a hand meter calibrated this week (common practice, no source)."""
MOST_LITRES = 1000
"""The end of the hub's box for what was topped up (common practice, no source)."""
_MARKS: Mapping[Mark, str] = {
    Mark.STIRRED: "mdi:pot-mix",
    Mark.PROBE_OUT: "mdi:tray-arrow-up",
    Mark.PROBE_IN: "mdi:tray-arrow-down",
    Mark.STARTED: "mdi:play",
}
"""The marks that a button says, each with its icon."""
_AT = '"at":"{{ utcnow().isoformat() }}"'
_OF_ALARM: Mapping[str, Value] = {"entity_category": "config", "enabled_by_default": False}

Keys = Mapping[str, Value]


def _said(scope: Scope) -> str:
    return scope.topics.said(scope.vat.id)


_ANSWERED = attributes(_said, answer="value_json.answer", text="value_json.text", at="value_json.at")
"""What became of what was said last."""


def _button(
    topic: Callable[[Scope], str], form: Callable[[Scope], CommandForm], template: Callable[[Scope], str]
) -> Keys:
    """Return the keys of a button that sends a form."""
    return {
        "command_topic": topic,
        "payload_press": lambda scope: json_text(form(scope)),
        "command_template": template,
        "retain": False,
    }


def _dated(form: Callable[[Scope], CommandForm]) -> Callable[[Scope], str]:
    """Return the template of a form with the time of the press."""

    def template(scope: Scope) -> str:
        inner = json_text(form(scope))[1:-1]
        return f"{{{inner},{_AT}}}" if inner else f"{{{_AT}}}"

    return template


def _shown(attribute: str, otherwise: object) -> str:
    """Return the template of what the hub shows now of an attribute of the button; `otherwise`: what was announced."""
    return f'{{{{ this.attributes.get("{attribute}", {json.dumps(otherwise)}) | tojson }}}}'


def _box(scope_topic: Callable[[Scope], str], template: str, field: str) -> Keys:
    """Return the keys of a number that is entered, and that `said` shows for two seconds."""
    return {
        "command_topic": scope_topic,
        "command_template": template,
        "state_topic": _said,
        "value_template": f"{{{{ value_json.{field} if value_json.{field} is defined else 'None' }}}}",
        "retain": False,
        "mode": "box",
        **_ANSWERED,
    }


def _mark_topic(scope: Scope) -> str:
    return scope.topics.mark(scope.vat.id)


def _mark_button(mark: Mark, icon: str) -> Entity:
    def form(_scope: Scope) -> CommandForm:
        return MarkForm(mark=mark)

    words = mark.replace("-", " ")
    return Entity(
        component="button",
        key=("mark", mark),
        seen_as=mark,
        shows=f"says that it was done: `{mark}`",
        content={
            "name": words.capitalize(),
            "icon": icon,
            **_button(_mark_topic, form, _dated(form)),
            **_ANSWERED,
        },
        is_of=is_main,
    )


def _spot_number(instrument: str, u_ph: float, icon: str) -> Entity:
    template = f'{{"ph":{{{{ value }}}},"u":{u_ph},"instrument":"{instrument}",{_AT}}}'
    return Entity(
        component="number",
        key=("spot", instrument),
        shows=f"says what a {instrument} shows in the brine now (u {u_ph:g})",
        content={
            "name": f"Spot pH by {instrument}",
            "icon": icon,
            "device_class": "ph",
            "min": SPOT_PH.low,
            "max": SPOT_PH.high,
            "step": 0.01,
            **_box(lambda scope: scope.topics.spot(scope.vat.id), template, instrument),
        },
        is_of=is_main,
    )


def _acknowledge_all(**more: Any) -> Entity:  # noqa: ANN401 - fields of Entity
    return Entity(
        component="button",
        key=("acknowledge_all",),
        shows="acknowledges all that stands as the hub shows it",
        content={
            "name": "Acknowledge all",
            "icon": "mdi:bell-check",
            **_button(
                lambda scope: scope.topics.acknowledge_all(scope.vat.id),
                lambda scope: AcknowledgeAllForm(occurrences=dict(scope.occurrences)),
                lambda scope: f'{{"occurrences":{_shown("occurrences", dict(scope.occurrences))}}}',
            ),
            **attributes(lambda scope: scope.topics.alarms(scope.vat.id), occurrences="value_json.occurrences"),
        },
        **more,
    )


ACKNOWLEDGE_ALL = _acknowledge_all(is_of=is_main)
WATCH_ENTITIES = (_acknowledge_all(),)


def _shelve_minutes(scope: Scope) -> int:
    return min(SHELVE_MINUTES, int(scope.vat.max_shelve_s // 60)) or 1


def _alarm_button(verb: str, *, name: Callable[[Scope], str], shows: str, keys: Keys) -> Entity:
    """Return a button of an alarm, which keeps its occurrence as an attribute; nobody needs all of them at once."""
    occurrence = attributes(_alarm_topic, occurrence="value_json.occurrence")
    content = {"name": name, **keys, **occurrence, **_OF_ALARM}
    return Entity(component="button", key=(verb,), shows=shows, content=content)


def _alarm_topic(scope: Scope) -> str:
    return scope.topics.alarm(scope.vat.id, scope.alarm)


def _acknowledge_template(scope: Scope) -> str:
    return f'{{"occurrence":{_shown("occurrence", scope.occurrence)}}}'


def _shelve_template(scope: Scope) -> str:
    return f'{{"minutes":{_shelve_minutes(scope)},"occurrence":{_shown("occurrence", scope.occurrence)},{_AT}}}'


ALARM_ENTITIES = (
    _alarm_button(
        "acknowledge",
        name=lambda scope: f"Acknowledge {scope.alarm_words}",
        shows="acknowledges the occurrence that the hub shows",
        keys=_button(
            lambda scope: scope.topics.acknowledge(scope.vat.id, scope.alarm),
            lambda scope: AcknowledgeForm(occurrence=scope.occurrence),
            _acknowledge_template,
        ),
    ),
    _alarm_button(
        "shelve",
        name=lambda scope: f"Shelve {scope.alarm_words} for {_shelve_minutes(scope)} min",
        shows="shelves it for an hour, or as long as the vat allows",
        keys=_button(
            lambda scope: scope.topics.shelve(scope.vat.id, scope.alarm),
            lambda scope: ShelveForm(minutes=_shelve_minutes(scope), occurrence=scope.occurrence),
            _shelve_template,
        ),
    ),
    _alarm_button(
        "unshelve",
        name=lambda scope: f"Unshelve {scope.alarm_words}",
        shows="ends its shelving",
        keys=_button(
            lambda scope: scope.topics.unshelve(scope.vat.id, scope.alarm),
            lambda _scope: UnshelveForm(),
            _dated(lambda _scope: UnshelveForm()),
        ),
    ),
)
ENTITIES = (
    ACKNOWLEDGE_ALL,
    *(_mark_button(mark, icon) for mark, icon in _MARKS.items()),
    Entity(
        component="number",
        key=("mark", Mark.TOPPED_UP),
        seen_as=Mark.TOPPED_UP,
        shows="says how many litres were topped up",
        content={
            "name": "Topped up",
            "icon": "mdi:cup-water",
            "device_class": "volume",
            "unit_of_measurement": "L",
            "min": 0.1,
            "max": MOST_LITRES,
            "step": 0.1,
            **_box(_mark_topic, f'{{"mark":"{Mark.TOPPED_UP}","litres":{{{{ value }}}},{_AT}}}', "litres"),
        },
        is_of=is_main,
    ),
    Entity(
        component="text",
        key=("note",),
        shows="writes a line into the journal",
        content={
            "name": "Note",
            "icon": "mdi:note-edit",
            "min": 0,  # else the hub cannot empty it; an empty note is refused
            "max": LONGEST_TEXT,
            "command_topic": lambda scope: scope.topics.note(scope.vat.id),
            "command_template": f'{{"text":{{{{ value | tojson }}}},{_AT}}}',
            "state_topic": _said,
            "value_template": "{{ value_json.note if value_json.note is defined else '' }}",
            "retain": False,
            **_ANSWERED,
        },
        is_of=is_main,
    ),
    _spot_number("meter", METER_U_PH, "mdi:test-tube"),
    _spot_number("strip", STRIP_U_PH, "mdi:ruler"),
)
