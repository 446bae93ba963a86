"""Say what became of the trust in a probe, and what to look at.

Law: made of what is carried alone (`TrustState`) and the calibration in force. A jump can be the probe's or the vat's:
both are named. Never says that anything is safe. No age runs in a sentence, and in a steady one no reading does.
"""

from collections.abc import Callable, Mapping

from logger.alarm.quiet_hours import clock_time
from logger.config import PeopleConfig
from logger.measure.continuity import level_ph
from logger.model import Calibration, Carry, Doubt, EarnedBy, Loss, QualityTests, TrustCause, TrustLevel, TrustState
from logger.structs import Struct

NEAR_MV = 10.0
"""So near 0 mV an electrode is cracked, shorted or damp at the plug, or stands in pH 7. Common practice, no source."""
NEAR_BUFFER_PH = 0.06
STAYS_PH = 0.15
"""A reading this near to where it jumped is still there."""
STANDARD_BUFFERS_PH = (4.01, 6.86, 7.0, 9.18)
FACTORS = (10.0, 100.0, 1000.0, 0.1, 0.01, 0.001)
FACTOR_PART = 0.05
HOW_BACK = (
    "Look whether the probe is in the vat and whole. If it was elsewhere, put it back and mark `probe-in`; else measure"
    " with another instrument and enter it (`vatvigil verify`): until then nothing it reads is believed or claimed"
)
NOT_BACK = (
    "Lost: nobody said that the probe is back in the vat. Look whether it is, then mark `probe-in`: until then nothing"
    " it reads is believed or claimed"
)
EARNED: Mapping[EarnedBy, str] = {
    EarnedBy.START: "a batch was started",
    EarnedBy.CHECK: "another instrument beside it agreed",
    EarnedBy.BORNE_OUT: "its reading goes on where the vat was",
    EarnedBy.RETURN: "its reading is back where the vat was and stayed there",
    EarnedBy.SECOND_PROBE: "the second probe in the vat reads the same",
    EarnedBy.LASTED: "nothing else spoke for half a day",
}
ON_A_WORD = "on somebody's word, which the reading must bear out, the probe is taken to be back in the vat"
ON_A_WORD_ALONE = (
    "on somebody's word alone, for nothing was learnt of the vat before, the probe is taken to be back in it"
)

Clock = Callable[[int], str]
"""Says a moment (UTC, microseconds) as a time of day with its zone."""


def clock_of(people: PeopleConfig) -> Clock:
    """Return what says a moment as these people's time of day."""
    return lambda at_us: clock_time(at_us, people)


utc: Clock = clock_of(PeopleConfig())


class TrustShown(Struct, frozen=True, kw_only=True):
    """How far a probe is trusted, as people are told."""

    level: TrustLevel
    since_at_us: int | None
    """UTC; None: it was never lost, or that is not known yet."""
    sentence: str
    steady: str
    """The same without what it reads now: word for word until something happens."""


def shown(carry: Carry, clock: Clock = utc) -> TrustShown:
    """Return how far the probe of a watch is trusted; not at all before somebody said that it is back in its vat."""
    state, line, work = carry.trust, carry.electrode.calibration, carry.suppression
    if work.not_back_us is not None:
        since_us = _not_back_since_us(carry)
        return TrustShown(level=TrustLevel.LOST, since_at_us=since_us, sentence=NOT_BACK, steady=NOT_BACK)
    says, steady = sentence(state, line, clock), sentence(state, line, clock, is_steady=True)
    if work.is_away and state.level is TrustLevel.EARNED:
        says = steady = "Earned so far: nothing is judged while somebody works on the probe or has it out"
    return TrustShown(level=state.level, since_at_us=_since_us(state), sentence=says, steady=steady)


def _since_us(state: TrustState) -> int | None:
    if state.loss is not None:
        return state.loss.since_at_us
    return (state.unbroken_at_us or None) if state.doubt is None else state.doubt.since_at_us


def _not_back_since_us(carry: Carry) -> int | None:
    newest = carry.electrode.belief
    return newest.since_at_us if newest is not None and newest.test is QualityTests.NOT_BACK else None


def sentence(state: TrustState, line: Calibration | None, clock: Clock = utc, *, is_steady: bool = False) -> str:
    """Say how far the probe is trusted, and why not further; steady: without what it reads now."""
    if state.loss is not None:
        why = lost_steadily(state.loss, line, clock) if is_steady else lost(state.loss, line, clock)
        return f"Lost: {why}. {HOW_BACK}"
    if state.doubt is not None:
        return f"Doubted: {doubted(state.doubt, clock)}. Claims wait"
    if state.expected is not None:
        return "Earned by a person's word, which the next minutes must bear out"
    how = "" if state.earned_by is None else f"{EARNED[state.earned_by]}, and "
    if state.anew_us is None:
        return f"Earned: {how}watched for too short a time to tell more"
    return f"Earned: {how}nothing speaks against the probe"


def earned_back(state: TrustState) -> str:
    """Say by what trust that was lost is earned again."""
    if state.earned_by is None:
        return ON_A_WORD_ALONE if state.expected is None else ON_A_WORD
    return f"{EARNED[state.earned_by]}, so the probe is trusted again"


def doubted_no_more(state: TrustState) -> str:
    """Say by what a doubt ended; empty: its own words say it."""
    if state.earned_by in (None, EarnedBy.RETURN):
        return ""
    return f"{EARNED[state.earned_by]}, so the probe is doubted no more"


def lost_steadily(loss: Loss, line: Calibration | None, clock: Clock = utc) -> str:
    """Say what trust was lost by without what it reads now, in one clause."""
    before = level_ph(loss.before, line)
    if before is None or loss.cause not in (TrustCause.JUMP, TrustCause.NOT_BORNE_OUT):
        return lost(loss, line, clock)
    if loss.cause is TrustCause.NOT_BORNE_OUT:
        return f"the probe was said to be back in the vat, and reads something else than the {before:.2f} of before"
    return f"the reading jumped away from {before:.2f} at {clock(loss.since_at_us)}, which no vat does by itself"


def lost(loss: Loss, line: Calibration | None, clock: Clock = utc) -> str:
    """Say what trust was lost by, in one clause."""
    when, before, now = clock(loss.since_at_us), level_ph(loss.before, line), level_ph(loss.now, line)
    if loss.cause is TrustCause.FROZEN:
        return f"the instrument hardly shows a new value any more since about {when}, as if frozen"
    if loss.cause is TrustCause.AIR:
        return f"the probe seems to hang in air since {when}: its temperature stepped, and the signal is noisier since"
    if loss.cause is TrustCause.CONTACT:
        return f"readings lie far apart again and again since about {when}: plug, cable, or an instrument that restarts"
    if before is None or now is None:
        return f"the reading left its course at {when}"
    signature = _signature(loss, line, now)
    if loss.cause is TrustCause.NOT_BORNE_OUT:
        here = f"reads {now:.2f} where the vat was at {before:.2f}"
        return f"the probe was said to be back in the vat, and {here}{signature}"
    vat = ", unless acid, lye or water went into the vat" if not signature else ""
    jumped_to = before + loss.jump_ph
    stays = abs(now - jumped_to) < STAYS_PH
    to, there = (now, "") if stays else (jumped_to, f"; it reads {now:.2f} now")
    jumped = f"the reading jumped from {before:.2f} to {to:.2f} at {when}, which no vat does by itself"
    return f"{jumped}{vat}{signature}{there}"


def doubted(doubt: Doubt, clock: Clock = utc) -> str:
    """Say why a probe is doubted, in one clause."""
    when = clock(doubt.since_at_us)
    if doubt.cause is TrustCause.THERMOMETER:
        return f"the thermometer shows no temperature of a vat, or hardly a new one, since about {when}"
    if doubt.cause is TrustCause.BACKUP:
        return "its calibration comes from a backup, and may have been another since: check it"
    return (
        f"the temperature went from {doubt.before_c:.1f} to {doubt.now_c:.1f} C at {when}: topped up, heated or cooled,"
        " or is the probe out"
    )


def _signature(loss: Loss, line: Calibration | None, now_ph: float) -> str:
    """Name what reads so; empty: nothing that is known here."""
    if loss.now is None or loss.before is None:
        return ""
    now_mv, before_mv = loss.now.potential_mv, loss.before.potential_mv
    buffers = {*STANDARD_BUFFERS_PH, *(point.buffer_ph for point in line.points)} if line else {*STANDARD_BUFFERS_PH}
    nearest = min(buffers, key=lambda ph: abs(ph - now_ph))
    if abs(now_mv) < NEAR_MV:
        return ": near 0 mV, as a cracked bulb, a short or a damp plug gives, or a glass of rinse water"
    if abs(nearest - now_ph) < NEAR_BUFFER_PH:
        return f": it is what a buffer of pH {nearest:.2f} reads"
    if any(abs(now_mv / before_mv / factor - 1.0) < FACTOR_PART for factor in FACTORS if before_mv):
        return ": the potential changed by a power of ten, as when an instrument's unit or range is changed"
    return ""
