"""Report how a vat stands to its target: shown or not, and what is wanted.

Law: pure; nothing is judged here that the pipeline did not judge, but that checks grow old. Never a word of safety.
"""

from dataclasses import dataclass
from enum import StrEnum

from logger.config import AlarmKind, TargetConfig, VatConfig
from logger.measure.age import elapsed_at
from logger.measure.conformance import acceptance_limit, conformance_probability
from logger.measure.target import current_progress, lacks
from logger.measure.target_words import limit, not_yet, reading
from logger.model import Carry, Claim, Lack, TargetProgress, TargetWindow, WithdrawnClaim


class TargetState(StrEnum):
    """What can be said of a target."""

    SHOWN = "shown"
    """A claim was made in this batch and nothing contradicts it."""
    NOT_SHOWN = "not-shown"
    WITHDRAWN = "withdrawn"
    """A claim was made, a later check contradicts it, and there is no new one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetStanding:
    """How a vat stands to its target."""

    state: TargetState
    limit_ph: float
    probability: float
    newest: TargetWindow | None
    """The newest window."""
    needed_ph: float | None
    """What it would have to read with the doubt there is."""
    conformance: float | None
    """Probability that the newest window is at or below the limit."""
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
    newest, wanted = progress.newest, _lacks(target, carry, progress, at_us=at_us)
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
        needed_ph=None if newest is None else acceptance_limit(target.ph, newest.u, target.probability),
        conformance=None if newest is None else conformance_probability(newest.ph, newest.u, high=target.ph),
        above=above,
        claim=progress.claim,
        withdrawn=progress.withdrawn,
        lacks=() if progress.claim else wanted,
        against=() if progress.claim else against,
        text=_text(target, progress, wanted, against, above=above),
        unwatched=_unwatched(vat, carry),
    )


def _lacks(target: TargetConfig, carry: Carry, progress: TargetProgress, *, at_us: int) -> tuple[Lack, ...]:
    return lacks(target, carry, progress, at_us=at_us, elapsed_us=elapsed_at(carry, at_us))


def _speaks(carry: Carry, alarm: str) -> bool:
    return alarm in carry.alarms and carry.alarms[alarm].speaks


def _text(
    target: TargetConfig, progress: TargetProgress, wanted: tuple[Lack, ...], against: tuple[str, ...], *, above: bool
) -> str:
    claim, withdrawn, newest = progress.claim, progress.withdrawn, progress.newest
    if claim is not None:
        text = f"measured {limit(claim.limit_ph, claim.probability)}: it read {reading(claim.ph, claim.u)}"
        if above and newest is not None:
            return f"{text}, but now reads {reading(newest.ph, newest.u)}, above it again: hold the batch"
        return f"{text}, conformance probability {100 * claim.conformance:.1f} %, calibration {claim.calibration}"
    before = "" if withdrawn is None else f"WITHDRAWN: {withdrawn.text}. Now: "
    now = "not yet shown: no window was judged yet" if newest is None else not_yet(target, newest)
    speaking = [f"no claim while this alarm speaks against it: {', '.join(against)}"] if against else []
    return "; ".join([f"{before}{now}", *(_WANTED[lack] for lack in wanted if lack in _WANTED), *speaking])


_WANTED = {
    Lack.CALIBRATION: "the probe must be calibrated",
    Lack.BELIEF: "the newest window is not believed",
    Lack.TIME: "it has read low enough, but not long enough",
    Lack.RECENT_CHECK: "the last check is too old: dip it in a check buffer",
    Lack.PASSED_CHECK: "the last check failed: repeat it in fresh buffer, or calibrate",
    Lack.TRUST: "trust in the probe is open, or was lost since the last check: measure with another instrument anew",
    Lack.SPOT_CHECK: "another instrument must agree (`vatvigil verify PROBE --spot PH --u U`)",
}


def _unwatched(vat: VatConfig, carry: Carry) -> str:
    names = [alarm.id for alarm in vat.alarms if alarm.kind is AlarmKind.DEADLINE]
    if not names or carry.batch.started_us is not None:
        return ""
    text = f"{' and '.join(names)} {'watch' if len(names) > 1 else 'watches'} nothing"
    return f"no start of a batch is known, so {text}: `vatvigil mark {vat.id} started`"
