"""Builds the retained message of a vat's target, and declares its payload and the entities that show it.

Law: pure; it holds what a claim rests on, beside the claim.
"""

from typing import Annotated

from msgspec import Meta

from logger.config import VatConfig
from logger.measure.target_standing import TargetState, standing
from logger.model import PREMISES, Carry, Claim, Lack
from logger.mqtt.entity import DIAGNOSTIC, Entity, Scope, attributes
from logger.mqtt.messages import Message
from logger.mqtt.payloads import Name, Payload, PayloadKind, Probability, Simulated, Time, json_text, number, rfc3339
from logger.mqtt.topics import PATTERNS, Topics

Positive = Annotated[int, Meta(ge=1)]


class ClaimPayload(Payload, frozen=True, kw_only=True):
    """What was shown, and all it rests on."""

    at: Time
    record: Positive
    limit_ph: float
    probability: float
    ph: float
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1)")]
    conformance_probability: Annotated[Probability, Meta(description="The lower of both accounts'")]
    confirmed_by: Annotated[str, Meta(description="The other instrument; empty: not named")]
    confirmed_ph: float
    confirmed_u: Annotated[float, Meta(description="Its standard uncertainty (k = 1)")]
    confirmed_at: Time
    window_s: float
    windows: Positive
    calibration: int


class WithdrawnPayload(Payload, frozen=True, kw_only=True):
    """The last claim did not hold, and there is no new one."""

    at: Time
    why: str


class TargetPayload(Payload, frozen=True, kw_only=True):
    """How a vat stands to its target: of the brine at the probe; it makes no food safe."""

    vat: Name
    state: TargetState
    limit_ph: float
    probability: Annotated[float, Meta(description="One-sided: at or below limit_ph")]
    at: Annotated[Time | None, Meta(description="RFC 3339, UTC: end of the newest window")]
    ph: Annotated[
        float | None, Meta(description="Median of the newest window: the higher of published and corrected pH")
    ]
    u: Annotated[float | None, Meta(description="Standard uncertainty of ph (k = 1)")]
    believed: bool
    needed_ph: Annotated[float | None, Meta(description="What it would have to read, confirmed by another instrument")]
    conformance_probability: Annotated[
        Probability | None, Meta(description="That the newest window is at or below limit_ph: the lower account's")
    ]
    above_again: Annotated[bool, Meta(description="Shown, and reads above limit_ph again")]
    claim: Annotated[ClaimPayload | None, Meta(description="null: nothing stands")]
    withdrawn: WithdrawnPayload | None
    lacks: Annotated[tuple[Lack, ...], Meta(description="What a claim wants and has not")]
    against: Annotated[
        tuple[str, ...],
        Meta(description="Alarms whose condition speaks against a claim now, also if acknowledged or shelved"),
    ]
    text: Name
    premises: Annotated[tuple[str, ...], Meta(min_length=1, description="What a claim rests on and no reading shows")]
    simulated: Simulated


KIND = PayloadKind(
    name="target",
    form=TargetPayload,
    topics=(PATTERNS.target("<vat>"),),
    retained=True,
)


def _topic(scope: Scope) -> str:
    return scope.topics.target(scope.vat.id)


def _has_target(vat: VatConfig) -> bool:
    return vat.target is not None


ENTITIES = (
    Entity(
        component="sensor",
        key=("target",),
        shows="how the vat stands to its target; attributes: the sentence, the limit, what it would have to read",
        content={
            "name": "Target",
            "icon": "mdi:flag-checkered",
            "device_class": "enum",
            "options": [state.value for state in TargetState],
            "value_template": "{{ value_json.state }}",
            "state_topic": _topic,
            **attributes(
                _topic,
                sentence="value_json.text",
                limit_ph="value_json.limit_ph",
                needed_ph="value_json.needed_ph",
            ),
        },
        is_of=_has_target,
    ),
    Entity(
        component="sensor",
        key=("target_probability",),
        shows="conformance probability; unknown while the pH is not believed",
        content={
            "name": "Target probability",
            "icon": "mdi:percent",
            "unit_of_measurement": "%",
            "state_class": "measurement",
            "suggested_display_precision": 0,
            "value_template": (
                "{{ (100 * value_json.conformance_probability) | round(1) if value_json.believed else none }}"
            ),
            "state_topic": _topic,
            **DIAGNOSTIC,
        },
        is_of=_has_target,
    ),
)
"""Retained, so neither expires."""


def target_message(topics: Topics, vat: VatConfig, carry: Carry, *, at_us: int) -> Message | None:
    """Return how a vat stands to its target at a time (UTC, microseconds); None: it has none."""
    now = standing(vat, carry, at_us=at_us)
    if now is None:
        return None
    window, withdrawn = now.newest, now.withdrawn
    content = TargetPayload(
        vat=vat.id,
        state=now.state,
        limit_ph=now.limit_ph,
        probability=now.probability,
        at=rfc3339(window.at_us) if window else None,
        ph=number(window.ph, 4) if window else None,
        u=number(window.u, 4) if window else None,
        believed=window.believed if window else False,
        needed_ph=number(now.needed_ph, 3),
        conformance_probability=number(now.conformance, 4),
        above_again=now.above,
        claim=_claim(now.claim) if now.claim else None,
        withdrawn=WithdrawnPayload(at=rfc3339(withdrawn.at_us), why=withdrawn.text) if withdrawn else None,
        lacks=now.lacks,
        against=now.against,
        text=now.text,
        premises=PREMISES,
        simulated=topics.simulated,
    )
    return Message(topic=topics.target(vat.id), payload=json_text(content), retain=True)


def _claim(claim: Claim) -> ClaimPayload:
    return ClaimPayload(
        at=rfc3339(claim.at_us),
        record=claim.seq,
        limit_ph=claim.limit_ph,
        probability=claim.probability,
        ph=round(float(claim.ph), 4),
        u=round(float(claim.u), 4),
        conformance_probability=round(float(claim.conformance), 4),
        confirmed_by=claim.spot.instrument,
        confirmed_ph=round(float(claim.spot.ph), 4),
        confirmed_u=round(float(claim.spot.u), 4),
        confirmed_at=rfc3339(claim.spot.at_us),
        window_s=claim.window_s,
        windows=claim.windows,
        calibration=claim.calibration,
    )
