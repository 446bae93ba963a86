"""Run the good-night test: one marked test alarm through the whole chain, which somebody must acknowledge in time.

Law: pure. The test is an alarm of the system like any other, so what it proves is proved of the others: it is stored,
sent, shown and acknowledged by the same ways. Whatever it says begins with TEST. It ends by itself; when nobody
acknowledged it, the reason that is known is carried until a later test begins.

The scheduler and the command only put a row into the inbox; what they tell is read from the journal. Accepted means
that the outbox was empty after the event went in: events go one by one. A failed test stands until the next test
begins, so each bad night is told anew.
"""

from dataclasses import replace

from logger.alarm.lifecycle import Now
from logger.config import AlarmKind
from logger.errors import RefusedError
from logger.model import AlarmState, Carry, Cause, Command, Entry, Rehearsal, State, figures
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


def follow(
    carry: Carry, *, broker: str, waiting: int, refused: str, unheard: bool, now: Now
) -> tuple[Carry, list[Entry]]:
    """Look how the running test stands; return the new carry, and what is journalled of a step that it has taken.

    `broker`: why it is away (empty: it is there, or there is none); `refused`: what it says to what waits; `unheard`:
    it told that nobody listens.
    """
    run, state = carry.reported.rehearsal, carry.alarms.get(TEST, AlarmState())
    until_us, entries = run.until_us, list[Entry]()
    if until_us is None or run.began_us == now.elapsed_us:
        return carry, []
    if not run.accepted and not broker and not waiting:
        run = replace(run, accepted=True)
        listeners = "but NOBODY listens there" if unheard else "and somebody listens there"
        entries = [_step(state, f"TEST: the broker has accepted the event, {listeners}", now=now)]
    if state.base is State.ACKNOWLEDGED:
        run = Rehearsal()
    elif now.elapsed_us >= until_us:
        run = Rehearsal(failed=_why(run, broker=broker, refused=refused, unheard=unheard))
    return replace(carry, reported=replace(carry.reported, rehearsal=run)), entries


def _why(run: Rehearsal, *, broker: str, refused: str, unheard: bool) -> str:
    """Say how far the test came, and where to look."""
    if not run.accepted:
        return f"the broker was not reached. {broker}" if broker else f"the broker did not accept the event. {refused}"
    if unheard:
        return "the broker accepted the event, but nobody listens there: look whether the hub runs and is connected"
    return (
        "the broker accepted the event, and somebody listens: look at the hub's automation, at the telephone (is it on,"
        " not muted?), and whether acknowledging works"
    )


def _step(state: AlarmState, text: str, *, now: Now) -> Entry:
    return Entry(seq=0, at_us=now.at_us, vat="", cause=Cause.TESTED, alarm=TEST, occurrence=state.occurrence, text=text)
