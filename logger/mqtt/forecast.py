"""Builds the retained message of a vat's forecast, and declares its payload and the entity that shows it.

Law: pure; it holds what was forecast at the newest window, as it was then.
"""

from typing import Annotated

from msgspec import Meta

from logger.config import VatConfig
from logger.model import Carry, Foresight
from logger.mqtt.entity import Entity, Scope, attributes
from logger.mqtt.messages import Message
from logger.mqtt.payloads import Name, Payload, PayloadKind, Probability, Simulated, Time, json_text, number, rfc3339
from logger.mqtt.topics import PATTERNS, Topics
from logger.units import MINUTE_US
from logger.watch import forecast_words

HALF_HOUR_US = 30 * MINUTE_US
NONE = "none"
LONGEST = 255
"""Characters that a state of the hub can have."""


class ForecastPayload(Payload, frozen=True, kw_only=True):
    """When the pH of a batch comes to its target, with a 90 % interval, in half-hours."""

    vat: Name
    foresight: Annotated[Foresight | None, Meta(description="null: no batch is under way, or it was at its target")]
    at: Annotated[Time | None, Meta(description="RFC 3339, UTC: end of the window that it goes by")]
    low_at: Annotated[Time | None, Meta(description="Hardly before this (95 %)")]
    middle_at: Annotated[Time | None, Meta(description="As likely before as after this")]
    high_at: Annotated[Time | None, Meta(description="Hardly after this (95 %)")]
    deadline_missed: Annotated[Probability | None, Meta(description="Probability that the deadline is missed")]
    is_at_least: Annotated[bool, Meta(description="deadline_missed is at least so much")]
    proof: Annotated[str, Meta(description="What stands behind the interval")]
    text: Annotated[str, Meta(max_length=LONGEST)]
    simulated: Simulated


KIND = PayloadKind(
    name="forecast",
    form=ForecastPayload,
    topics=(PATTERNS.forecast("<vat>"),),
    retained=True,
)


def _topic(scope: Scope) -> str:
    return scope.topics.forecast(scope.vat.id)


def _has_target(vat: VatConfig) -> bool:
    return vat.target is not None


ENTITIES = (
    Entity(
        component="sensor",
        key=("forecast",),
        shows="when pH comes to the target; attributes: ends and middle of the interval, what stands behind it",
        content={
            "name": "Forecast",
            "icon": "mdi:clock-outline",
            "value_template": "{{ value_json.text }}",
            "state_topic": _topic,
            **attributes(
                _topic,
                low_at="value_json.low_at",
                middle_at="value_json.middle_at",
                high_at="value_json.high_at",
                proof="value_json.proof",
            ),
        },
        is_of=_has_target,
    ),
)
"""Retained, so it does not expire."""


def forecast_message(topics: Topics, vat: VatConfig, carry: Carry) -> Message | None:
    """Return what is forecast of a vat; None: it has no target."""
    if vat.target is None:
        return None
    outlook = carry.forecast.outlook
    ends = (None, None, None) if outlook is None else (outlook.low_us, outlook.middle_us, outlook.high_us)
    low, middle, high = (None if us is None else us + add for us, add in zip(ends, _ROUNDED, strict=True))
    content = ForecastPayload(
        vat=vat.id,
        foresight=outlook.foresight if outlook else None,
        at=rfc3339(outlook.at_us) if outlook else None,
        low_at=_half_hour(low),
        middle_at=_half_hour(middle),
        high_at=_half_hour(high),
        deadline_missed=number(outlook.missed, 2) if outlook else None,
        is_at_least=bool(outlook and outlook.is_at_least),
        proof=forecast_words.proof(carry.forecast),
        text=(forecast_words.sentence(vat, carry) or NONE)[:LONGEST],
        simulated=topics.simulated,
    )
    return Message(topic=topics.forecast(vat.id), payload=json_text(content), retain=True)


_ROUNDED = (0, HALF_HOUR_US // 2, HALF_HOUR_US - 1)
"""Down, to the nearest, up."""


def _half_hour(at_us: int | None) -> str | None:
    return None if at_us is None else rfc3339(at_us // HALF_HOUR_US * HALF_HOUR_US)
