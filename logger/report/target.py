"""Report how a vat stands to its target, for `vatvigil status`. Law: reads only; times are RFC 3339 in UTC."""

from dataclasses import dataclass

from logger.config import VatConfig
from logger.measure.target_standing import standing
from logger.model import PREMISES, Carry
from logger.report.words import moment


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetStatus:
    """How a vat stands to its target; pH and u are those of the newest window."""

    state: str
    limit_ph: float
    probability: float
    ph: float | None
    u: float | None
    needed_ph: float | None
    conformance_probability: float | None
    shown_at: str | None
    """When the claim was made; None: none stands."""
    above_again: bool
    lacks: list[str]
    against: list[str]
    """Alarms whose condition speaks against a claim."""
    premises: list[str]
    text: str
    unwatched: str
    """Why its deadlines cannot be watched; empty: they can, or there are none."""


def target_status(vat: VatConfig, carry: Carry, *, at_us: int) -> TargetStatus | None:
    """Return how a vat stands to its target at a time (UTC, microseconds); None: it has none."""
    now = standing(vat, carry, at_us=at_us)
    if now is None:
        return None
    return TargetStatus(
        state=str(now.state),
        limit_ph=now.limit_ph,
        probability=now.probability,
        ph=None if now.newest is None else round(now.newest.ph, 4),
        u=None if now.newest is None else round(now.newest.u, 4),
        needed_ph=None if now.needed_ph is None else round(now.needed_ph, 4),
        conformance_probability=None if now.conformance is None else round(now.conformance, 4),
        shown_at=None if now.claim is None else moment(now.claim.at_us),
        above_again=now.above,
        lacks=[str(lack) for lack in now.lacks],
        against=list(now.against),
        premises=list(PREMISES),
        text=now.text,
        unwatched=now.unwatched,
    )
