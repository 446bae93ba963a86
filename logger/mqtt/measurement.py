"""Builds the message of a vat's newest measurement, and declares its payload and the entities that show it."""

from collections.abc import Mapping
from typing import Annotated, Literal

from msgspec import UNSET, Meta, UnsetType

from logger.alarm import belief_words
from logger.alarm.belief_words import Evidence
from logger.model import Belief, Measurements, Quality, QualityTests
from logger.mqtt.entity import DIAGNOSTIC, Entity, Scope, Value, attributes, is_main
from logger.mqtt.messages import Message
from logger.mqtt.payloads import (
    COVERAGE_FACTOR,
    Name,
    Payload,
    PayloadKind,
    Simulated,
    Time,
    json_text,
    number,
    one_of,
    quality_word,
    rfc3339,
)
from logger.mqtt.topics import PATTERNS, Topics

_MARKS = QualityTests.OWN_PH | QualityTests.ASSUMED_TEMPERATURE
"""The tests whose result is sent as a mark, beside the quality."""


def _mark_words(tests: QualityTests) -> list[str]:
    """Say what is unusual about a reading: whose pH it is, by which temperature."""
    return [str(mark.name).lower().replace("_", "-") for mark in tests & _MARKS]


class MeasurementPayload(Payload, frozen=True, kw_only=True):
    """The newest measurement of a vat, and no older one."""

    vat: Name
    probe: Name
    at: Time
    ph: Annotated[float | None, Meta(description="pH, null where none is claimed")]
    expanded_uncertainty_ph: Annotated[Annotated[float, Meta(ge=0)] | None, Meta(description="U = k u of ph")]
    coverage_factor: Literal[2]
    temperature_c: Annotated[float | None, Meta(description="Celsius; null where the thermometer cannot be right")]
    quality: Annotated[str, one_of(map(quality_word, Quality), "IOOS QARTOD primary flag")]
    calibration: Annotated[Annotated[int, Meta(ge=1)] | None, Meta(description="Id of the calibration applied")]
    belief: Annotated[str, one_of((each.word for each in Belief), "What process alarms make of this reading")]
    verdict_since: Annotated[
        Time, Meta(description="RFC 3339, UTC: since when readings have had this belief for the same reason")
    ]
    verdict: Annotated[
        str,
        Meta(min_length=1, max_length=300, description="The belief and what it rests on, in a sentence for a person"),
    ]
    marks: (
        Annotated[
            list[Annotated[str, one_of(_mark_words(_MARKS))]],
            Meta(
                min_length=1,
                description="Only where the reading is not the usual one: the probe's own pH; no thermometer",
            ),
        ]
        | UnsetType
    ) = UNSET
    simulated: Simulated


KIND = PayloadKind(name="measurement", form=MeasurementPayload, topics=(PATTERNS.measurement("<vat>"),))


def _believed(key: str) -> str:
    """Return the template of a value that is unknown to the hub while the reading is not believed."""
    return f"{{{{ value_json.{key} if value_json.belief == '{Belief.BELIEVED.word}' else none }}}}"


def _topic(scope: Scope) -> str:
    return scope.topics.measurement(scope.vat.id)


_SHOWN: Mapping[str, Value] = {"state_topic": _topic, "expire_after": lambda scope: scope.stale_s}
"""A measurement always expires at the hub."""
_FIGURE: Mapping[str, Value] = {"state_class": "measurement", **_SHOWN}
"""A figure has no attributes: the hub would store a row of them for each reading."""
ENTITIES = (
    Entity(
        component="sensor",
        key=("ph",),
        shows="pH; unknown while it is not believed",
        content={
            "name": "pH",
            "value_template": _believed("ph"),
            "device_class": "ph",  # the hub's class has no unit
            "suggested_display_precision": 2,
            **_FIGURE,
        },
    ),
    Entity(
        component="sensor",
        key=("temperature",),
        shows="temperature; unknown while it cannot be right",
        content={
            "name": "Temperature",
            "value_template": "{{ value_json.temperature_c if value_json.quality != 'fail' else none }}",
            "device_class": "temperature",
            "unit_of_measurement": "°C",
            "suggested_display_precision": 1,
            **_FIGURE,
        },
        is_of=is_main,
    ),
    Entity(
        component="sensor",
        key=("belief",),
        shows="whether the pH is believed; attributes: why, and since when",
        content={  # never unknown: it says why there is no pH
            "name": "Belief",
            "icon": "mdi:shield-check",
            "device_class": "enum",
            "options": [each.word for each in Belief],
            "value_template": "{{ value_json.belief }}",
            **_SHOWN,
            **attributes(_topic, sentence="value_json.verdict", since="value_json.verdict_since"),
        },
    ),
    Entity(
        component="sensor",
        key=("u",),
        shows="expanded uncertainty of the pH (k = 2); unknown while that is not believed",
        content={
            "name": "Uncertainty of pH (k = 2)",
            "icon": "mdi:plus-minus-variant",
            "value_template": _believed("expanded_uncertainty_ph"),
            "suggested_display_precision": 2,
            **DIAGNOSTIC,
            **_FIGURE,
        },
        is_of=is_main,
    ),
)


def measurement_message(
    topics: Topics, vat: str, *, probe: str, rows: Measurements, evidence: Evidence, expiry_s: int | None = None
) -> Message:
    """Return the last of `rows`: pH with U (k = 2), temperature in C, quality, belief. Raises IndexError for no rows.

    `evidence`: calibration and checks that the last row names.
    """
    u, is_fault = number(rows.u[-1], 6), bool(rows.tests[-1] & QualityTests.THERMOMETER)
    content = MeasurementPayload(
        vat=vat,
        probe=probe,
        at=rfc3339(int(rows.at_us[-1])),
        ph=number(rows.ph[-1], 4),
        expanded_uncertainty_ph=None if u is None else number(COVERAGE_FACTOR * u, 4),
        coverage_factor=COVERAGE_FACTOR,
        temperature_c=None if is_fault else number(rows.temperature_c[-1], 3),
        quality=quality_word(int(rows.quality[-1])),
        calibration=int(rows.calibration[-1]) or None,
        belief=Belief(int(rows.belief[-1])).word,
        verdict_since=rfc3339(int(rows.since_at_us[-1])),
        verdict=belief_words.sentence(rows, evidence, steady=True),
        marks=_mark_words(QualityTests(int(rows.tests[-1]))) or UNSET,
        simulated=topics.simulated,
    )
    return Message(topic=topics.measurement(vat), payload=json_text(content), expiry_s=expiry_s)
