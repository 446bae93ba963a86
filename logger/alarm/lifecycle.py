"""Move an alarm from state to state by a table (states and terms of IEC 62682 / ISA-18.2).

Law: whatever the table does not name changes nothing. A new occurrence begins where the table leads from anywhere to
UNACKNOWLEDGED on ACTIVE or on the re-alarm timer, and when the last cover (shelved, suppressed, out of service) is
lifted off an abnormal condition; one occurrence annunciates once. Under a cover the alarm goes on silently: a return is
taken along, an activation waits; only what a person does there is told. The latched states and the order of the covers
are this project's own choice.

In quiet hours (`Now.audible`) an occurrence of another priority begins as ever, but is held: it annunciates when they
end and it still stands, or when its priority is raised; never, if it returned or a person answered it before. What may
be broken glass is never held.

An alarm that was never acknowledged and returned under its cover shows as returned, unacknowledged. Lifting a
suppression voids what was learnt under it. A re-alarm is a new occurrence, a reminder the same one with a number. A
raised priority belongs to the occurrence, is carried with it, and is raised once. Quiet hours sit here and not on the
way to the hub: so replay shows them, a restart forgets nothing, and acknowledging a held alarm spares it.
"""

from collections.abc import Mapping
from enum import Enum

from logger.config import AlarmConfig, Priority
from logger.model import AlarmState, Cause, State
from logger.structs import Struct, replace
from logger.units import SECOND_US


class Trigger(Enum):
    """What can happen to an alarm that no cover lies over."""

    ACTIVE = "active"
    CLEARED = "cleared"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    TIMER = "timer"


TABLE: Mapping[tuple[State, Trigger], State] = {
    (State.NORMAL, Trigger.ACTIVE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.CLEARED): State.RETURNED,
    (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.TIMER): State.UNACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.CLEARED): State.NORMAL,
    (State.ACKNOWLEDGED, Trigger.TIMER): State.UNACKNOWLEDGED,
    (State.RETURNED, Trigger.ACTIVE): State.UNACKNOWLEDGED,
    (State.RETURNED, Trigger.ACKNOWLEDGE): State.NORMAL,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.ACTIVE): State.UNACKNOWLEDGED,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.LATCHED_ACKNOWLEDGED,
    (State.LATCHED_ACKNOWLEDGED, Trigger.ACTIVE): State.UNACKNOWLEDGED,
    (State.LATCHED_ACKNOWLEDGED, Trigger.RESET): State.NORMAL,
}
LATCHING: Mapping[tuple[State, Trigger], State] = {
    **TABLE,
    (State.UNACKNOWLEDGED, Trigger.CLEARED): State.LATCHED_UNACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.CLEARED): State.LATCHED_ACKNOWLEDGED,
}


class Transition(Struct, frozen=True, kw_only=True):
    """One change of the state shown, or a reminder."""

    cause: Cause
    before: State
    after: State
    annunciates: bool = False
    held: bool = False


class Now(Struct, frozen=True, kw_only=True):
    """When something happens to an alarm, and with what value."""

    at_us: int
    elapsed_us: int
    value: float | None = None
    u: float | None = None
    audible: frozenset[Priority] | None = None
    """Priorities that annunciate now; None: all, no quiet hours are on."""


_CAUSES = {
    Trigger.ACTIVE: Cause.ANNUNCIATED,
    Trigger.CLEARED: Cause.RETURNED,
    Trigger.ACKNOWLEDGE: Cause.ACKNOWLEDGED,
    Trigger.RESET: Cause.RESET,
}


def advance(
    state: AlarmState, alarm: AlarmConfig, *, trigger: Trigger, now: Now
) -> tuple[AlarmState, Transition | None]:
    """Apply one trigger; return the new state and what it showed (None: nothing, or hidden by a cover).

    What a person does under a cover is not hidden: its step leads from the cover to the cover.
    """
    covered = state.shown != state.base
    if covered and trigger is Trigger.ACTIVE:
        return state, None
    after = _table(alarm).get((state.base, trigger))
    if after is None:
        return state, None
    if covered:
        by_person = trigger in (Trigger.ACKNOWLEDGE, Trigger.RESET)
        step = Transition(cause=_CAUSES[trigger], before=state.shown, after=state.shown) if by_person else None
        return replace(state, base=after), step
    if trigger is Trigger.TIMER:
        return _timer(state, alarm, now=now)
    if after is State.UNACKNOWLEDGED:
        return _annunciate(state, alarm, cause=Cause.ANNUNCIATED, now=now)
    by_person = trigger is not Trigger.CLEARED
    step = Transition(cause=_CAUSES[trigger], before=state.base, after=after, held=state.held and not by_person)
    return _enter(replace(state, base=after, held=step.held), alarm, now=now), step


def release(state: AlarmState, alarm: AlarmConfig, *, now: Now) -> tuple[AlarmState, Transition | None]:
    """Let out what quiet hours held and now do not hold any more; what has returned meanwhile stays untold."""
    if not state.held or _is_held(state, alarm, now=now):
        return state, None
    free = replace(state, held=False)
    if state.base is State.RETURNED:
        return free, None
    step = Transition(cause=Cause.RELEASED, before=state.base, after=state.base, annunciates=True)
    return replace(free, timer_us=state.timer_us and _due_us(alarm.reminder_s, now)), step


def priority(state: AlarmState, alarm: AlarmConfig) -> Priority:
    """Return the priority that the present occurrence has."""
    return alarm.priority.raised if state.raised else alarm.priority


def _is_held(state: AlarmState, alarm: AlarmConfig, *, now: Now) -> bool:
    return now.audible is not None and priority(state, alarm) not in now.audible and not alarm.kind.row.is_glass


def shelve(state: AlarmState, *, until_us: int, now: Now) -> tuple[AlarmState, Transition]:
    """Shelve until a watch time, or move the end of a shelving that runs."""
    return _cover(replace(state, shelved_until_us=until_us), before=state.shown, cause=Cause.SHELVED, now=now)


def suppress(state: AlarmState, *, until_us: int, now: Now) -> tuple[AlarmState, Transition]:
    """Suppress by design until a watch time."""
    return _cover(replace(state, suppressed_until_us=until_us), before=state.shown, cause=Cause.SUPPRESSED, now=now)


def take_out_of_service(state: AlarmState, *, now: Now) -> tuple[AlarmState, Transition]:
    """Take the alarm out of service until it is returned to service."""
    return _cover(replace(state, out_of_service=True), before=state.shown, cause=Cause.OUT_OF_SERVICE, now=now)


def unshelve(state: AlarmState, alarm: AlarmConfig, *, expired: bool, now: Now) -> tuple[AlarmState, Transition | None]:
    """End the shelving, if there is one."""
    if state.shelved_until_us is None:
        return state, None
    cause = Cause.SHELF_EXPIRED if expired else Cause.UNSHELVED
    return _uncover(replace(state, shelved_until_us=None), alarm, before=state.shown, cause=cause, now=now)


def return_to_service(state: AlarmState, alarm: AlarmConfig, *, now: Now) -> tuple[AlarmState, Transition | None]:
    """Return the alarm to service, if it is out of it."""
    if not state.out_of_service:
        return state, None
    lifted = replace(state, out_of_service=False)
    return _uncover(lifted, alarm, before=state.shown, cause=Cause.RETURNED_TO_SERVICE, now=now)


def unsuppress(state: AlarmState, alarm: AlarmConfig, *, now: Now) -> tuple[AlarmState, Transition | None]:
    """End the suppression, if there is one; what was learnt under it is void: the on-delay starts anew.

    An occurrence from before it counts as cleared: if nobody acknowledged it, or it latches, it still stands.
    """
    if state.suppressed_until_us is None:
        return state, None
    lifted = replace(void(state, alarm), suppressed_until_us=None)
    return _uncover(lifted, alarm, before=state.shown, cause=Cause.UNSUPPRESSED, now=now)


def void(state: AlarmState, alarm: AlarmConfig) -> AlarmState:
    """Forget what was judged: an occurrence counts as cleared, without a word."""
    base = _table(alarm).get((state.base, Trigger.CLEARED), state.base)
    return replace(state, abnormal=False, pending_us=None, timer_us=None, base=base)


def _table(alarm: AlarmConfig) -> Mapping[tuple[State, Trigger], State]:
    return LATCHING if alarm.latching else TABLE


def _timer(state: AlarmState, alarm: AlarmConfig, *, now: Now) -> tuple[AlarmState, Transition]:
    """Remind of the same occurrence, or annunciate an acknowledged one anew."""
    if state.base is State.ACKNOWLEDGED:
        return _annunciate(state, alarm, cause=Cause.REALARM, now=now)
    number = state.reminders + 1
    limit = alarm.raise_after_reminders
    can_rise = not state.raised and alarm.priority != Priority.HIGH
    rises = can_rise and limit is not None and number >= limit
    reminded = replace(state, reminders=number, raised=state.raised or rises, timer_us=_due_us(alarm.reminder_s, now))
    held = _is_held(reminded, alarm, now=now)
    step = Transition(
        cause=Cause.RAISED if rises else Cause.REMINDER,
        before=state.base,
        after=state.base,
        annunciates=state.held and not held,
        held=held,
    )
    return replace(reminded, held=state.held and held), step


def _annunciate(
    state: AlarmState, alarm: AlarmConfig, *, cause: Cause, now: Now, before: State | None = None
) -> tuple[AlarmState, Transition]:
    fresh = replace(
        state,
        base=State.UNACKNOWLEDGED,
        occurrence=state.occurrence + 1,
        reminders=0,
        raised=False,
    )
    fresh = _with_value(fresh, now)
    held = _is_held(fresh, alarm, now=now)
    step = Transition(
        cause=cause, before=before or state.shown, after=State.UNACKNOWLEDGED, annunciates=not held, held=held
    )
    return _enter(replace(fresh, held=held), alarm, now=now), step


def _with_value(state: AlarmState, now: Now) -> AlarmState:
    """Give a new occurrence its value: that of now, or the one judged last."""
    if now.value is not None:
        return replace(state, value=now.value, u=now.u)
    return state if state.newest is None else replace(state, value=state.newest, u=state.newest_u)


def _enter(state: AlarmState, alarm: AlarmConfig, *, now: Now) -> AlarmState:
    """Note the time of the change and set the timer that the state has."""
    waits = {State.UNACKNOWLEDGED: alarm.reminder_s, State.ACKNOWLEDGED: alarm.realarm_s}
    return replace(state, since_at_us=now.at_us, timer_us=_due_us(waits.get(state.base), now))


def _due_us(delay_s: float | None, now: Now) -> int | None:
    return None if delay_s is None else now.elapsed_us + round(delay_s * SECOND_US)


def _cover(state: AlarmState, *, before: State, cause: Cause, now: Now) -> tuple[AlarmState, Transition]:
    # Every cover is laid by a person, who thereby knows of what was held.
    covered = replace(state, timer_us=None, since_at_us=now.at_us, held=False)
    return covered, Transition(cause=cause, before=before, after=covered.shown)


def _uncover(
    state: AlarmState, alarm: AlarmConfig, *, before: State, cause: Cause, now: Now
) -> tuple[AlarmState, Transition]:
    """Show what is underneath, once no cover is left."""
    if state.shown != state.base:
        return replace(state, since_at_us=now.at_us), Transition(cause=cause, before=before, after=state.shown)
    if state.abnormal:
        return _annunciate(state, alarm, cause=cause, now=now, before=before)
    return _enter(state, alarm, now=now), Transition(cause=cause, before=before, after=state.base)
