"""Guide a person through some glasses, as a state machine: (task, state, event) -> (state, lines to print).

    MOVE ---it stands in the glass--> SETTLE ---taken or skipped--> MOVE
    MOVE ---all taken, or finish----> DECIDE ---yes, no or stop---> KEEP --kept--> RETURN --it is back--> END
    MOVE, SETTLE ---stop------------> RETURN, with nothing changed

Law: pure; time is handed in (`now_us`, steady microseconds of any origin). Nothing is changed before KEEP, and what is
kept is kept there whole. Whatever happens, RETURN reminds that the probe belongs into its vat. Only Enter there is the
word that it is back; whatever else ends the session is none.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from logger.errors import RefusedError
from logger.guided import words
from logger.guided.immersion import BuffersAtHand, Immersion, ImmersionView, ProbeReading, examine, is_unfit, point
from logger.guided.keys import END
from logger.measure import stability
from logger.measure.buffers import Buffer
from logger.model import Calibration, CalibrationPoint, Check
from logger.structs import replace
from logger.units import SECOND_US


class Stage(StrEnum):
    """Where the session stands."""

    MOVE = "move"
    """The person brings the probe into the next glass."""
    SETTLE = "settle"
    """It stands there and is waited for."""
    DECIDE = "decide"
    KEEP = "keep"
    """Whoever drives the session must keep the conclusion now, and say so with `ResultKept`."""
    RETURN = "return"
    """The person brings the probe back."""
    END = "end"


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenPoint:
    """A point, and when it was taken (UTC, microseconds)."""

    point: CalibrationPoint
    at_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """What comes of the points: the words for it, and what is to be kept."""

    lines: tuple[str, ...]
    calibration: Calibration | None = None
    checks: tuple[Check, ...] = ()
    """Beside a calibration: how the one before it was found. Else the check that was made."""
    is_refused: bool = False
    """Nobody is asked whether it shall come into force: it may not."""
    is_asked: bool = True
    """A person decides; else it is kept as it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What the session is for."""

    vat: str
    """Where the probe belongs."""
    table: BuffersAtHand
    wanted: int
    """After so many points it concludes by itself."""
    conclude: Callable[[tuple[TakenPoint, ...]], Conclusion]
    """Raises RefusedError for points of which nothing comes."""
    time_out_s: float
    spread_c: float
    """Buffers farther apart in temperature than this are warned of."""
    silent_s: float = 5.0
    """No reading for so long (vat time) is said. Common practice, no source."""
    opening: tuple[str, ...] = ()
    """The first lines."""
    assume_yes: bool = False
    before: tuple[TakenPoint, ...] = ()
    """Points of a session that was cut off."""
    remember: Callable[[tuple[TakenPoint, ...]], None] = lambda _: None
    """Told whenever the points have changed."""
    resume: str = ""
    """The command that goes on with the points taken; empty: they are not kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuidedState:
    """All that the session remembers."""

    stage: Stage = Stage.MOVE
    immersion: Immersion | None = None
    shown: ImmersionView | None = None
    """What the present immersion shows."""
    taken: tuple[TakenPoint, ...] = ()
    newest: ProbeReading | None = None
    newest_us: int | None = None
    """When the newest reading came."""
    warn_us: int = 0
    """When the advice what to look for is next due."""
    conclusion: Conclusion | None = None
    is_wanted: bool = False
    """The person wants the conclusion in force."""
    is_alone: bool = False
    """Nobody is left who could answer."""
    is_kept: bool = False
    is_back: bool = False
    """The person said that the probe stands in its vat again."""

    @property
    def points(self) -> tuple[CalibrationPoint, ...]:
        """Return the points taken so far."""
        return tuple(one.point for one in self.taken)


@dataclass(frozen=True, slots=True)
class KeyPressed:
    """The person answered."""

    answer: str


@dataclass(frozen=True, slots=True)
class TimePassed:
    """Time passed."""


@dataclass(frozen=True, slots=True)
class ResultKept:
    """The conclusion is stored; `lines` say where."""

    lines: tuple[str, ...]


GuidedEvent = ProbeReading | KeyPressed | TimePassed | ResultKept
Step = tuple[GuidedState, list[str]]


def opening(task: Task, state: GuidedState) -> list[str]:
    """Return the first lines."""
    before = words.taken_before(state.points) if task.before else []
    return [*task.opening, *before, *words.next_glass(task.table.buffers, state.points, wanted=task.wanted)]


def step(task: Task, state: GuidedState, event: GuidedEvent, *, now_us: int) -> Step:
    """Return the state after an event, and the lines to print."""
    after, lines = _step(task, state, event, now_us=now_us)
    if after.stage is Stage.MOVE and state.stage is not Stage.MOVE:
        lines = [*lines, *words.next_glass(task.table.buffers, after.points, wanted=task.wanted)]
    return after, lines


def _step(task: Task, state: GuidedState, event: GuidedEvent, *, now_us: int) -> Step:
    match event:
        case ProbeReading():
            return _on_reading(task, replace(state, newest=event, newest_us=now_us), event, now_us=now_us)
        case ResultKept(lines):
            stage, then = (Stage.END, words.put_back(task.vat)) if state.is_alone else (Stage.RETURN, words.BACK)
            return replace(state, stage=stage, is_kept=True), [*lines, then]
        case KeyPressed(answer):
            return _on_key(task, state, answer, now_us=now_us)
        case TimePassed():
            return _on_time(task, state, now_us=now_us)


def _on_reading(task: Task, state: GuidedState, reading: ProbeReading, *, now_us: int) -> Step:
    if state.stage is not Stage.SETTLE or state.immersion is None:
        return state, []
    immersion = state.immersion.with_reading(reading)
    shown = examine(immersion, task.table, state.points)
    immersion = replace(immersion, stable_us=shown.stable_us)
    return _on_time(task, replace(state, immersion=immersion, shown=shown), now_us=now_us)


def _on_time(task: Task, state: GuidedState, *, now_us: int) -> Step:
    """Say what to look for when the potential has kept the person waiting for long."""
    if state.stage is not Stage.SETTLE or state.shown is None or now_us < state.warn_us:
        return state, []
    advice = stability.advice(state.shown.stability)
    state = replace(state, warn_us=now_us + round(task.time_out_s * SECOND_US))
    return state, [words.time_out(task.time_out_s), advice, words.TIME_OUT_KEYS] if advice else []


def _on_key(task: Task, state: GuidedState, answer: str, *, now_us: int) -> Step:
    if state.stage is Stage.RETURN:
        return _returned(task, state, answer)
    if state.stage is Stage.DECIDE and answer in ("q", END):  # what came of the points is not lost by leaving
        return replace(state, stage=Stage.KEEP, is_alone=answer == END), []
    if answer == END:  # nobody is left who could answer
        stopped = replace(state, stage=Stage.END, immersion=None, shown=None)
        return stopped, [*stopping(task, state), words.put_back(task.vat)]
    if answer == "q":
        return replace(state, stage=Stage.RETURN, immersion=None, shown=None), [*stopping(task, state), words.BACK]
    answers = {Stage.MOVE: _move, Stage.SETTLE: _settle, Stage.DECIDE: _decide}
    return answers[state.stage](task, state, answer, now_us) if state.stage in answers else (state, [])


def stopping(task: Task, state: GuidedState) -> list[str]:
    """Say that nothing was changed, and how what was taken is gone on with."""
    return [
        words.STOPPED,
        *([words.kept_for_resuming(state.points, task.resume)] if state.taken and task.resume else []),
    ]


def _returned(task: Task, state: GuidedState, answer: str) -> Step:
    if not answer:
        return replace(state, stage=Stage.END, is_back=True), []
    return (replace(state, stage=Stage.END), [words.put_back(task.vat)]) if answer in ("q", END) else (state, [])


def _move(task: Task, state: GuidedState, answer: str, now_us: int) -> Step:
    named = _numbered(task, answer)
    if answer == "f":
        return _concluded(task, state)
    if answer and named is None:
        return state, []
    warn_us = now_us + round(task.time_out_s * SECOND_US)
    begun = replace(
        state, stage=Stage.SETTLE, immersion=Immersion(began_us=now_us, named=named), shown=None, warn_us=warn_us
    )
    return begun, []


def _settle(task: Task, state: GuidedState, answer: str, now_us: int) -> Step:
    named = _numbered(task, answer)
    immersion = state.immersion
    if immersion is None or answer == "s":
        return replace(state, stage=Stage.MOVE, immersion=None, shown=None), [words.SKIPPED]
    if answer == "r":
        return _move(
            task, state, "" if immersion.named is None else str(task.table.buffers.index(immersion.named) + 1), now_us
        )
    if named is not None:
        immersion = replace(immersion, named=named, is_insisted=False)
        return replace(state, immersion=immersion, shown=examine(immersion, task.table, state.points)), [
            words.named(named)
        ]
    return _accepted(task, state, immersion) if not answer else (state, [])


def _accepted(task: Task, state: GuidedState, immersion: Immersion) -> Step:
    """Take the point, or say why it cannot be taken yet."""
    shown = state.shown
    if shown is None or not shown.is_offered:
        return state, [words.NOT_STABLE]
    if not shown.is_known:
        if immersion.named is not None and is_unfit(shown) and not immersion.is_insisted:
            insisting = replace(immersion, is_insisted=True)
            return replace(state, immersion=insisting, shown=examine(insisting, task.table, state.points)), [
                words.INSIST
            ]
        return state, [words.UNKNOWN]
    new_point = point(immersion, shown)
    others = tuple(one for one in state.taken if one.point.buffer != new_point.buffer)
    lines = words.accepted_point(new_point, others=[one.point for one in others], spread_c=task.spread_c)
    if len(others) < len(state.taken):
        lines.append(words.REPLACED)
    taken = (*others, TakenPoint(point=new_point, at_us=immersion.readings[-1].at_us))
    state = replace(state, stage=Stage.MOVE, immersion=None, shown=None, taken=taken)
    if len(taken) < task.wanted:
        return state, lines
    state, more = _concluded(task, state)
    return state, [*lines, *more]


def _concluded(task: Task, state: GuidedState) -> Step:
    if not state.taken:
        return state, [words.NOTHING_TAKEN]
    try:
        conclusion = task.conclude(state.taken)
    except RefusedError as refused:
        return replace(state, stage=Stage.MOVE), [str(refused)]
    asked = conclusion.is_asked and (conclusion.is_refused or not task.assume_yes)
    stage = Stage.DECIDE if asked else Stage.KEEP
    return replace(state, stage=stage, conclusion=conclusion, is_wanted=not asked), list(conclusion.lines)


def _decide(_task: Task, state: GuidedState, answer: str, _now_us: int) -> Step:
    if answer == "b":
        return replace(state, stage=Stage.MOVE, conclusion=None), [words.AGAIN]
    refused = state.conclusion is not None and state.conclusion.is_refused
    if answer == "y" and not refused:
        return replace(state, stage=Stage.KEEP, is_wanted=True), []
    if answer == "n" or (refused and not answer):
        return replace(state, stage=Stage.KEEP), []
    return state, [] if refused else [words.YES_OR_NO]


def _numbered(task: Task, answer: str) -> Buffer | None:
    """Return the buffer of that number on the table, None if the answer is no number of one."""
    number = int(answer) if answer.isdecimal() and answer.isascii() else 0
    return task.table.buffers[number - 1] if 1 <= number <= len(task.table.buffers) else None
