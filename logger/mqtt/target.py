"""The retained message of a vat's target. Law: pure; it holds what a claim rests on, beside the claim."""

from logger.config import VatConfig
from logger.measure.target_standing import TargetStanding, standing
from logger.model import PREMISES, Carry, Claim
from logger.mqtt.messages import Message
from logger.mqtt.payloads import json_text, number, rfc3339
from logger.mqtt.topics import Topics


def target(topics: Topics, vat: VatConfig, carry: Carry, *, at_us: int) -> Message | None:
    """Return how a vat stands to its target at a time (UTC, microseconds); None: it has none."""
    now = standing(vat, carry, at_us=at_us)
    if now is None:
        return None
    withdrawn = now.withdrawn
    content = {
        "vat": vat.id,
        "state": str(now.state),
        "limit_ph": now.limit_ph,
        "probability": now.probability,
        **_newest(now),
        "needed_ph": number(now.needed_ph, 3),
        "conformance_probability": number(now.conformance, 4),
        "above_again": now.above,
        "claim": None if now.claim is None else _claim(now.claim),
        "withdrawn": None if withdrawn is None else {"at": rfc3339(withdrawn.at_us), "why": withdrawn.text},
        "lacks": [str(lack) for lack in now.lacks],
        "against": list(now.against),
        "text": now.text,
        "premises": list(PREMISES),
        "simulated": topics.simulated,
    }
    return Message(topic=topics.target(vat.id), payload=json_text(content), retain=True)


def _newest(now: TargetStanding) -> dict[str, object]:
    if now.look is None:
        return {"at": None, "ph": None, "u": None, "believed": False}
    look = now.look
    return {"at": rfc3339(look.at_us), "ph": number(look.ph, 4), "u": number(look.u, 4), "believed": look.believed}


def _claim(made: Claim) -> dict[str, object]:
    return {
        "at": rfc3339(made.at_us),
        "record": made.seq,
        "limit_ph": made.limit_ph,
        "probability": made.probability,
        "ph": number(made.ph, 4),
        "u": number(made.u, 4),
        "z": number(made.z, 4),
        "conformance_probability": number(made.conformance, 4),
        "window_s": made.window_s,
        "windows": made.windows,
        "calibration": made.calibration,
    }
