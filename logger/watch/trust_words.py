"""Say what became of the trust in a probe, and what to look at.

Law: made of what is carried alone (`TrustState`) and the calibration in force. A jump can be the probe's or the vat's:
both are named. Never says that anything is safe.
"""

from datetime import UTC, datetime

from logger.measure.continuity import level_ph
from logger.model import Calibration, Doubt, Loss, TrustCause, TrustLevel, TrustState

NEAR_MV = 10.0
"""So near 0 mV an electrode is cracked, shorted or damp at the plug, or stands in pH 7. Common practice, no source."""
NEAR_BUFFER_PH = 0.06
STANDARD_BUFFERS_PH = (4.01, 6.86, 7.0, 9.18)
FACTORS = (10.0, 100.0, 1000.0, 0.1, 0.01, 0.001)
FACTOR_PART = 0.05
HOW_BACK = (
    "Look whether the probe is in the vat and whole. If it was elsewhere, put it back and mark `probe-in`; else measure"
    " with another instrument and enter it (`vatvigil verify`): until then nothing it reads is believed or claimed"
)


def state_word(state: TrustState) -> str:
    """Say in one sentence how far the probe is trusted."""
    if state.loss is not None:
        return f"lost since {_clock(state.loss.since_at_us)}"
    return "earned" if state.doubt is None else f"doubted since {_clock(state.doubt.since_at_us)}"


def sentence(state: TrustState, line: Calibration | None) -> str:
    """Say how far the probe is trusted, and why not further."""
    if state.loss is not None:
        return f"Lost: {lost(state.loss, line)}. {HOW_BACK}"
    if state.doubt is not None:
        return f"Doubted: {doubted(state.doubt)}. Claims wait"
    if state.expected is not None:
        return "Earned by a person's word, which the next minutes must bear out"
    return "Earned: nothing speaks against the probe" if state.level is TrustLevel.EARNED else ""


def lost(loss: Loss, line: Calibration | None) -> str:
    """Say what trust was lost by, in one clause."""
    when, before, now = _clock(loss.since_at_us), level_ph(loss.before, line), level_ph(loss.now, line)
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
    return f"the reading jumped from {before:.2f} to {now:.2f} at {when}, which no vat does by itself{vat}{signature}"


def doubted(doubt: Doubt) -> str:
    """Say why a probe is doubted, in one clause."""
    when = _clock(doubt.since_at_us)
    if doubt.cause is TrustCause.THERMOMETER:
        return f"the thermometer hardly shows a new value any more since about {when}"
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


def _clock(at_us: int) -> str:
    return f"{datetime.fromtimestamp(at_us // 1_000_000, UTC):%H:%M} UTC"
