"""Draw the state of a session as lines, which the screen folds to its width.

Law: pure. What a colour says is said in words too: STABLE, or what stands in the way.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from logger.guided import words
from logger.guided.immersion import HELD_S, Immersion, ImmersionView
from logger.guided.state_machine import GuidedState, Stage, Task
from logger.measure.stability import StabilityLimits, StabilityState
from logger.model import Reason
from logger.units import SECOND_US

BAR = 20
LIMITS = StabilityLimits()


class Tone(StrEnum):
    """How a line is meant."""

    PLAIN = "plain"
    GOOD = "good"
    WAIT = "wait"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class ScreenLine:
    """One line of the picture."""

    text: str
    tone: Tone = Tone.PLAIN


def picture(task: Task, state: GuidedState, *, silence: str, now_us: int) -> list[ScreenLine]:
    """Return the picture of now; `silence`: what to say when no reading comes."""
    lines = list(_reading(state, silence, silent_s=task.silent_s, now_us=now_us))
    if state.stage is Stage.SETTLE and state.immersion is not None:
        lines += _settling(state.immersion, state.shown, now_us=now_us)
    keys = _keys(task, state)
    return [*lines, ScreenLine(keys)] if keys else lines


def brief(state: GuidedState) -> str:
    """Return what matters of the picture in one line, for where nothing can be drawn over."""
    if state.stage is not Stage.SETTLE or state.shown is None or state.newest is None:
        return ""
    stability = state.shown.stability
    buffer = f"; {state.shown.buffer.id}" if state.shown.buffer else ""
    return f"{_mv(stability.potential_mv)}, {_celsius(stability.temperature_c)}: {_standing(state.shown)}{buffer}"


def _reading(state: GuidedState, silence: str, *, silent_s: float, now_us: int) -> Iterator[ScreenLine]:
    newest = state.newest
    quiet_s = 0.0 if state.newest_us is None else (now_us - state.newest_us) / SECOND_US
    if newest is None:
        yield ScreenLine("  Waiting for the first reading ...", Tone.WAIT)
    elif quiet_s > silent_s:
        yield ScreenLine(f"  NO READING for {quiet_s:.0f} s: {silence}", Tone.BAD)
    elif newest.reason is not Reason.NONE:
        yield ScreenLine(f"  NO READING: {newest.reason.words}", Tone.BAD)
    else:
        yield ScreenLine(
            f"  Potential   {_mv(newest.potential_mv):>11}      Temperature {_celsius(newest.temperature_c):>8}"
        )


def _settling(immersion: Immersion, shown: ImmersionView | None, *, now_us: int) -> Iterator[ScreenLine]:
    if shown is None:
        return
    stability = shown.stability
    yield ScreenLine(
        f"  Drift       {_signed(stability.drift_mv_per_min):>6} mV/min      Range       "
        f"{_plain(stability.range_mv):>5} mV, noise {_plain(stability.noise_mv)} mV"
    )
    yield ScreenLine(f"  Buffer      {_buffer(immersion, shown)}")
    share = _share(shown, immersion.lasts_s(now_us))
    bar = "#" * round(share * BAR)
    tone = Tone.GOOD if shown.is_offered else Tone.WAIT
    yield ScreenLine(f"  [{bar:.<{BAR}}] {immersion.lasts_s(now_us):3.0f} s  {_standing(shown)}", tone)
    yield from _objections(shown)


def _objections(shown: ImmersionView) -> Iterator[ScreenLine]:
    """Say what speaks against the buffer; a potential that is still on its way speaks for none yet."""
    if shown.recognition is None or not _is_at_rest(shown):
        return
    if shown.buffer is None:
        yield from (ScreenLine(f"  {text}", Tone.BAD) for text in shown.recognition.sentences)
    else:
        yield from (ScreenLine(f"  {text}", Tone.WAIT) for text in shown.recognition.sentences[1:])


def _is_at_rest(shown: ImmersionView) -> bool:
    """Tell whether the potential is that of the glass, quiet or not: on its way it passes those of other buffers."""
    return shown.stability.state in (StabilityState.STABLE, StabilityState.NOISY)


def _share(shown: ImmersionView, lasts_s: float) -> float:
    """Return the share of the way to STABLE that is done, as far as it is known."""
    stability = shown.stability
    parts = {
        StabilityState.STABLE: 1.0,
        StabilityState.SILENT: 0.0,
        StabilityState.WAITING: 0.9 * min(1.0, lasts_s / stability.window_s),
        StabilityState.WARMING: LIMITS.temperature_c_per_min / max(abs(stability.temperature_c_per_min), 1e-9),
        StabilityState.DRIFTING: LIMITS.drift_mv_per_min / max(abs(stability.drift_mv_per_min), 1e-9),
        StabilityState.NOISY: LIMITS.range_mv / max(stability.range_mv, 1e-9),
    }
    share = parts[stability.state]
    return share if shown.is_offered or np.isnan(share) else min(share, 0.95)


def _standing(shown: ImmersionView) -> str:
    stability = shown.stability
    return {
        StabilityState.STABLE: "STABLE: press Enter"
        if shown.is_offered
        else f"settled; must stay so for {HELD_S:.0f} s",
        StabilityState.SILENT: "too few readings",
        StabilityState.WAITING: "measuring",
        StabilityState.WARMING: f"temperature moving {stability.temperature_c_per_min:+.1f} C/min",
        StabilityState.DRIFTING: f"drifting; stable below {LIMITS.drift_mv_per_min} mV/min",
        StabilityState.NOISY: "unstable signal",
    }[stability.state]


def _buffer(immersion: Immersion, shown: ImmersionView) -> str:
    if not _is_at_rest(shown):
        return (
            "shown once the reading has settled"
            if immersion.named is None
            else f"{words.named_ph(immersion.named)}, named by you"
        )
    if shown.buffer is None:
        return "not recognised"
    at = f"{shown.stability.temperature_c:.1f} C"
    return f"{shown.buffer.id}, pH {shown.buffer_ph:.3f} at {at} ({shown.buffer.standard})"


def _keys(task: Task, state: GuidedState) -> str:
    count = len(task.table.buffers)
    several = count > 1
    stands = [f"[1-{count}] it is in that one", "[f] finish"] if several else []
    name = [f"[1-{count}] name the buffer"] if several else []
    keys = {
        Stage.MOVE: ["[Enter] it is in the buffer", *stands, "[q] stop"],
        Stage.SETTLE: ["[Enter] take", *name, "[r] start again", "[s] skip", "[q] stop"],
        Stage.DECIDE: _question(state),
        Stage.RETURN: ["[Enter] the probe is back in the vat"],
    }.get(state.stage, [])
    return "  " + "   ".join(key.replace(" ", words.NO_BREAK) for key in keys) if keys else ""


def _question(state: GuidedState) -> list[str]:
    if state.conclusion is not None and state.conclusion.is_refused:
        return ["[b] take a buffer again", "[Enter] end; it is kept for the record only"]
    return ["Put it into force?", "[y] yes", "[n] not now", "[b] take a buffer again"]


def _mv(value: float) -> str:
    return "--" if np.isnan(value) else f"{value:+.1f} mV"


def _celsius(value: float) -> str:
    return "--" if np.isnan(value) else f"{value:.1f} C"


def _signed(value: float) -> str:
    return "--" if np.isnan(value) else f"{value:+.2f}"


def _plain(value: float) -> str:
    return "--" if np.isnan(value) else f"{value:.2f}"
