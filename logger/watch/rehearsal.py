"""Run the good-night test: one marked test alarm through the whole chain, which somebody must acknowledge in time.

Law: pure. The test is an alarm of the system like any other, so what it proves is proved of the others: it is stored,
sent, shown and acknowledged by the same ways. Whatever it says begins with TEST. It ends by itself; when nobody
acknowledged it, the reason that is known is carried until a later test begins.

The scheduler and the command only put a row into the inbox; what they tell is read from the journal. Accepted by the
broker means that the outbox was empty after the event went in: events go one by one. What another way out takes is
journalled by that (`channels/channel.py`). A failed test stands until the next test begins, so each bad night is told
anew.
"""

from logger.alarm.lifecycle import Now
from logger.config import AlarmKind
from logger.errors import RefusedError
from logger.model import AlarmState, Carry, Cause, Command, Entry, Rehearsal, State, figures
from logger.structs import Struct, replace
from logger.units import SECOND_US

TEST = AlarmKind.REHEARSAL.value
WITHIN_S = 600.0
"""How long a test may take unless its command says otherwise. Common practice, no source."""


def begin(carry: Carry, command: Command, *, speed: float, now: Now) -> tuple[Carry, str]:
    """Begin a test; return the new carry and the answer. Raises RefusedError while one runs, or for an old command."""
    figures.check(command)
    within_s = WITHIN_S if command.duration_s is None else command.duration_s
    if carry.reported.rehearsal.until_us is not None:
        raise RefusedError("a good-night test runs already: acknowledge that one, or wait until it is over")
    if now.at_us - command.at_us > within_s * speed * SECOND_US:
        raise RefusedError("this good-night test was asked for too long ago: ask again")
    until_us = now.elapsed_us + round(within_s * speed * SECOND_US)
    state = carry.alarms.get(TEST, AlarmState())
    running = Rehearsal(began_us=now.elapsed_us, until_us=until_us)
    answer = f"TEST: occurrence {state.occurrence + 1} of alarm {TEST} begins, to be acknowledged within {within_s:g} s"
    return replace(carry, reported=replace(carry.reported, rehearsal=running)), answer


class WaysOut(Struct, frozen=True, kw_only=True):
    """How the ways out stand."""

    has_broker: bool
    away: str
    """Why the broker is away; empty: it is there."""
    refused: str
    """What it says to what waits."""
    unheard: bool
    """It told that nobody listens."""
    waiting: int
    """Events that it does not have."""
    others: str
    """What failed of the hook and push; empty: nothing."""


def follow(carry: Carry, ways: WaysOut, *, now: Now) -> tuple[Carry, list[Entry]]:
    """Look how the running test stands; return the new carry, and what is journalled of a step that it has taken."""
    run, state = carry.reported.rehearsal, carry.alarms.get(TEST, AlarmState())
    until_us, entries = run.until_us, list[Entry]()
    if until_us is None or run.began_us == now.elapsed_us:
        return carry, []
    if ways.has_broker and not run.accepted and not ways.away and not ways.waiting:
        run = replace(run, accepted=True)
        listeners = "but NOBODY listens there" if ways.unheard else "and somebody listens there"
        entries = [_step(state, f"TEST: the broker has accepted the event, {listeners}", now=now)]
    if state.base is State.ACKNOWLEDGED:
        run = Rehearsal()
    elif now.elapsed_us >= until_us:
        run = Rehearsal(failed=f"{_why(run, ways)} {ways.others}".strip())
    return replace(carry, reported=replace(carry.reported, rehearsal=run)), entries


def _why(run: Rehearsal, ways: WaysOut) -> str:
    """Say how far the test came, and where to look."""
    phone = "at the telephone (is it on, not muted?), and whether acknowledging works"
    if not ways.has_broker:
        return f"there is no broker: look whether another way out took the event, {phone}"
    if not run.accepted:
        return (
            f"the broker was not reached. {ways.away}"
            if ways.away
            else f"the broker did not accept the event. {ways.refused}"
        )
    if ways.unheard:
        return "the broker accepted the event, but nobody listens there: look whether the hub runs and is connected"
    return f"the broker accepted the event, and somebody listens: look at the hub's automation, {phone}"


def _step(state: AlarmState, text: str, *, now: Now) -> Entry:
    return Entry(seq=0, at_us=now.at_us, vat="", cause=Cause.TESTED, alarm=TEST, occurrence=state.occurrence, text=text)
