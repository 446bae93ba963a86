"""Report how a vat stands to its target: shown or not, and what is wanted.

Law: pure; nothing is judged here that the pipeline did not judge, but that checks grow old. Never a word of safety.
"""

from enum import StrEnum

from logger.config import AlarmKind, TargetConfig, VatConfig
from logger.measure import claims
from logger.measure.age import elapsed_at
from logger.measure.target import current_progress
from logger.measure.target_words import asked, chance, limit, needed_ph, not_yet, reading
from logger.model import Carry, Claim, Lack, TargetProgress, TargetWindow, WithdrawnClaim
from logger.structs import Struct, replace


class TargetState(StrEnum):
    """What can be said of a target."""

    SHOWN = "shown"
    """A claim was made in this batch and nothing contradicts it."""
    NOT_SHOWN = "not-shown"
    WITHDRAWN = "withdrawn"
    """A claim was made, a later check contradicts it, and there is no new one."""


class TargetStanding(Struct, frozen=True, kw_only=True):
    """How a vat stands to its target."""

    state: TargetState
    limit_ph: float
    probability: float
    newest: TargetWindow | None
    """The newest window."""
    needed_ph: float | None
    """What it would have to read with the doubt there is, confirmed by another instrument."""
    conformance: float | None
    """Probability that the newest window is at or below the limit: the lower of both accounts'."""
    above: bool
    """Shown, and the newest believed window reads above the limit again."""
    claim: Claim | None
    withdrawn: WithdrawnClaim | None
    lacks: tuple[Lack, ...]
    against: tuple[str, ...]
    """Alarms whose condition speaks against a claim now, whether somebody acknowledged or shelved them or not."""
    text: str
    unwatched: str
    """Why the vat's deadlines cannot be watched; empty: they can, or there are none."""


def standing(vat: VatConfig, carry: Carry, *, at_us: int) -> TargetStanding | None:
    """Return how a vat stands to its target at a time (UTC, microseconds); None: it has none."""
    target = vat.target
    if target is None:
        return None
    progress = current_progress(carry)
    against = tuple(alarm.id for alarm in vat.alarms if alarm.kind.row.is_against_claim and _speaks(carry, alarm.id))
    if progress.newest is not None:
        progress = replace(progress, newest=claims.renewed(carry, progress.newest))
    newest = progress.newest
    wanted = claims.lacks(target, carry, progress, at_us=at_us, elapsed_us=elapsed_at(carry, at_us))
    wanted = (*wanted, Lack.ALARM) if against else wanted
    state = (
        TargetState.SHOWN if progress.claim else TargetState.WITHDRAWN if progress.withdrawn else TargetState.NOT_SHOWN
    )
    above = progress.claim is not None and newest is not None and newest.believed and newest.ph > target.ph
    return TargetStanding(
        state=state,
        limit_ph=target.ph,
        probability=target.probability,
        newest=newest,
        needed_ph=None if newest is None else needed_ph(target, newest.u),
        conformance=_conformance(target, carry, newest),
        above=above,
        claim=progress.claim,
        withdrawn=progress.withdrawn,
        lacks=() if progress.claim else wanted,
        against=() if progress.claim else against,
        text=_text(vat, target, carry, progress, wanted, against, above=above),
        unwatched=_unwatched(vat, carry),
    )


def _conformance(target: TargetConfig, carry: Carry, newest: TargetWindow | None) -> float | None:
    both = None if newest is None else claims.bounds_now(target, carry, newest)
    return None if both is None else min(bound.conformance(target.ph) for bound in both)


def _speaks(carry: Carry, alarm: str) -> bool:
    return alarm in carry.alarms and carry.alarms[alarm].speaks


def _text(
    vat: VatConfig,
    target: TargetConfig,
    carry: Carry,
    progress: TargetProgress,
    wanted: tuple[Lack, ...],
    against: tuple[str, ...],
    *,
    above: bool,
) -> str:
    claim, withdrawn, newest = progress.claim, progress.withdrawn, progress.newest
    if claim is not None:
        text = f"measured {limit(claim.limit_ph, claim.probability)}: it read {reading(claim.ph, claim.u)}"
        if above and newest is not None:
            return f"{text}, but now reads {reading(newest.ph, newest.u)}, above it again: hold the batch"
        return (
            f"{text}, confirmed by {claim.spot.instrument or 'another instrument'} at {claim.spot.ph:.2f},"
            f" conformance probability {chance(claim.conformance)}, calibration {claim.calibration}"
        )
    before = "" if withdrawn is None else f"WITHDRAWN: {withdrawn.text}. Now: "
    if wanted == (Lack.CONFIRMATION,) and newest is not None:
        hours = claims.answer_counts_h(target, carry, newest, progress.spot)
        return f"{before}not yet shown: {asked(target, newest, probe=vat.probe, counts_h=hours)}"
    now = "not yet shown: no window was judged yet" if newest is None else not_yet(target, newest)
    speaking = [f"no claim while this alarm speaks against it: {', '.join(against)}"] if against else []
    known = carry.electrode.estimate
    asking = (
        [f"a check stands that nobody expected ({known.question.text}): probe or reference?"]
        if (Lack.QUESTION in wanted and known is not None and known.question is not None)
        else []
    )
    return "; ".join([f"{before}{now}", *(_WANTED[lack] for lack in wanted if lack in _WANTED), *asking, *speaking])


_WANTED = {
    Lack.CALIBRATION: "the probe must be calibrated",
    Lack.BELIEF: "the newest window is not believed",
    Lack.TIME: "it has read low enough, but not long enough",
    Lack.TRUST: "trust in the probe is open or lost: look at it, and measure with another instrument",
    Lack.CONFIRMATION: "another instrument must confirm it once it does",
}


def _unwatched(vat: VatConfig, carry: Carry) -> str:
    names = [alarm.id for alarm in vat.alarms if alarm.kind is AlarmKind.DEADLINE]
    if not names or carry.batch.started_us is not None:
        return ""
    text = f"{' and '.join(names)} {'watch' if len(names) > 1 else 'watches'} nothing"
    return f"no start of a batch is known, so {text}: `vatvigil mark {vat.id} started`"
