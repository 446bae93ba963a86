"""The state table, cell by cell, and what covers (shelved, suppressed, out of service) do to it.

Sources: terms and states of IEC 62682 / ISA-18.2 (paid, not read) by open secondary sources and OPC UA Part 9; the
latched rows and the order of the covers are this project's own choice.
"""

from collections.abc import Iterator
from itertools import product

import pytest

from logger.alarm import lifecycle
from logger.alarm.lifecycle import Now, Transition, Trigger
from logger.config import AlarmConfig, AlarmKind
from logger.model import AlarmState, Cause, State
from logger.structs import replace

# Our own state table, states by IEC 62682. Blank: no change. `!`: annunciate, a new occurrence. A reminder is of the
# same state and occurrence; `again` is unacknowledged, by re-alarm. CLR of a latching alarm stands in a column of its
# own.
STATE_TABLE = """
state                  | ACT              | CLR      | CLR latching           | ACK                  | RESET  | TIMER
normal                 | unacknowledged ! |          |                        |                      |        |
unacknowledged         |                  | returned | latched unacknowledged | acknowledged         |        | reminder
acknowledged           |                  | normal   | latched acknowledged   |                      |        | again !
returned               | unacknowledged ! |          |                        | normal               |        |
latched unacknowledged | unacknowledged ! |          |                        | latched acknowledged |        |
latched acknowledged   | unacknowledged ! |          |                        |                      | normal |
"""
NAMES = {
    "reminder": State.UNACKNOWLEDGED,
    "again": State.UNACKNOWLEDGED,
    "normal": State.NORMAL,
    "unacknowledged": State.UNACKNOWLEDGED,
    "acknowledged": State.ACKNOWLEDGED,
    "returned": State.RETURNED,
    "latched unacknowledged": State.LATCHED_UNACKNOWLEDGED,
    "latched acknowledged": State.LATCHED_ACKNOWLEDGED,
}
TRIGGERS = {
    "ACT": Trigger.ACTIVE,
    "CLR": Trigger.CLEARED,
    "ACK": Trigger.ACKNOWLEDGE,
    "RESET": Trigger.RESET,
    "TIMER": Trigger.TIMER,
}
COVERS = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)
NOW = Now(at_us=7_000, elapsed_us=5_000_000, value=4.7, u=0.05)
LATER = Now(at_us=9_000, elapsed_us=8_000_000)


def alarm(*, latching: bool = False) -> AlarmConfig:
    return AlarmConfig(id="a", kind=AlarmKind.PH_HIGH, setpoint=4.6, latching=latching, reminder_s=60.0, realarm_s=90.0)


def cells() -> Iterator[tuple[State, Trigger, bool, str]]:
    head, *body = [[cell.strip() for cell in line.split("|")] for line in STATE_TABLE.strip().splitlines()]
    for name, *row in body:
        written = dict(zip(head[1:], row, strict=True))
        for (event, trigger), latching in product(TRIGGERS.items(), (False, True)):
            cell = written["CLR latching" if event == "CLR" and latching else event]
            yield NAMES[name], trigger, latching, cell


def in_state(base: State, **more: object) -> AlarmState:
    abnormal = base in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
    return replace(AlarmState(base=base, abnormal=abnormal, occurrence=3, value=4.65), **more)  # type: ignore[arg-type]


def put(state: AlarmState, cover: State) -> tuple[AlarmState, Transition]:
    if cover is State.SHELVED:
        return lifecycle.shelve(state, until_us=99_000_000, now=NOW)
    if cover is State.SUPPRESSED:
        return lifecycle.suppress(state, until_us=99_000_000, now=NOW)
    return lifecycle.take_out_of_service(state, now=NOW)


def lift(state: AlarmState, cover: State, *, latching: bool = False) -> tuple[AlarmState, Transition | None]:
    config = alarm(latching=latching)
    if cover is State.SHELVED:
        return lifecycle.unshelve(state, config, expired=False, now=LATER)
    if cover is State.SUPPRESSED:
        return lifecycle.unsuppress(state, config, now=LATER)
    return lifecycle.return_to_service(state, config, now=LATER)


@pytest.mark.parametrize(("before", "trigger", "latching", "cell"), list(cells()))
def test_a_cell_of_the_state_table(before: State, trigger: Trigger, *, latching: bool, cell: str) -> None:
    state = in_state(before)
    after, step = lifecycle.advance(state, alarm(latching=latching), trigger=trigger, now=NOW)
    if not cell:
        assert (after, step) == (state, None)
        return
    expected = NAMES[cell.rstrip(" !")]
    assert step is not None
    assert (after.shown, step.before, step.after) == (expected, before, expected)
    assert step.annunciates == cell.endswith("!")
    assert after.occurrence == (4 if cell.endswith("!") else 3)
    assert after.reminders == (1 if cell == "reminder" else 0)
    assert after.since_at_us == (0 if cell == "reminder" else NOW.at_us)


def test_the_table_names_every_state_and_every_trigger() -> None:
    named = {(state, trigger) for state, trigger, _, _ in cells()}
    assert named == {(s, t) for s in State if s not in COVERS for t in Trigger}


@pytest.mark.parametrize(
    ("before", "trigger", "cause"),
    [
        (State.NORMAL, Trigger.ACTIVE, Cause.ANNUNCIATED),
        (State.UNACKNOWLEDGED, Trigger.CLEARED, Cause.RETURNED),
        (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGE, Cause.ACKNOWLEDGED),
        (State.UNACKNOWLEDGED, Trigger.TIMER, Cause.REMINDER),
        (State.ACKNOWLEDGED, Trigger.TIMER, Cause.REALARM),
        (State.LATCHED_ACKNOWLEDGED, Trigger.RESET, Cause.RESET),
    ],
)
def test_a_step_says_what_caused_it(before: State, trigger: Trigger, cause: Cause) -> None:
    _, step = lifecycle.advance(in_state(before), alarm(), trigger=trigger, now=NOW)
    assert step is not None
    assert step.cause == cause


def test_an_annunciation_keeps_the_value_it_was_made_of() -> None:
    raised, _ = lifecycle.advance(AlarmState(), alarm(), trigger=Trigger.ACTIVE, now=NOW)
    assert (raised.occurrence, raised.value, raised.u) == (1, 4.7, 0.05)
    again, _ = lifecycle.advance(replace(raised, base=State.ACKNOWLEDGED), alarm(), trigger=Trigger.TIMER, now=LATER)
    assert (again.occurrence, again.value, again.u) == (2, 4.7, 0.05)


def test_reminders_are_counted_within_their_occurrence() -> None:
    state, _ = lifecycle.advance(AlarmState(), alarm(), trigger=Trigger.ACTIVE, now=NOW)
    assert state.timer_us == NOW.elapsed_us + 60_000_000
    for n in (1, 2, 3):
        state, step = lifecycle.advance(state, alarm(), trigger=Trigger.TIMER, now=LATER)
        assert step == Transition(cause=Cause.REMINDER, before=State.UNACKNOWLEDGED, after=State.UNACKNOWLEDGED)
        assert (state.occurrence, state.reminders, state.timer_us) == (1, n, LATER.elapsed_us + 60_000_000)
    state, _ = lifecycle.advance(state, alarm(), trigger=Trigger.ACKNOWLEDGE, now=LATER)
    assert state.timer_us == LATER.elapsed_us + 90_000_000
    state, step = lifecycle.advance(state, alarm(), trigger=Trigger.TIMER, now=LATER)
    assert (state.occurrence, state.reminders) == (2, 0)
    assert step is not None
    assert step.annunciates


def test_without_times_for_them_there_are_no_reminders_and_no_realarm() -> None:
    plain = replace(alarm(), reminder_s=None, realarm_s=None)
    state, _ = lifecycle.advance(AlarmState(), plain, trigger=Trigger.ACTIVE, now=NOW)
    assert state.timer_us is None
    state, _ = lifecycle.advance(state, plain, trigger=Trigger.ACKNOWLEDGE, now=NOW)
    assert state.timer_us is None


@pytest.mark.parametrize("before", [s for s in State if s not in COVERS])
@pytest.mark.parametrize("cover", COVERS)
def test_every_state_can_be_covered(before: State, cover: State) -> None:
    # Columns SHELVE, SUPPRESS and OUT OF SERVICE: every row.
    covered, step = put(in_state(before, timer_us=1), cover)
    assert (step.cause.value, step.before, step.after) == (cover.value, before, cover)
    assert covered.shown == cover
    assert not step.annunciates
    assert covered.timer_us is None  # nothing reminds of it
    assert (covered.base, covered.occurrence) == (before, 3)


@pytest.mark.parametrize("out", [False, True])
@pytest.mark.parametrize("suppressed", [False, True])
@pytest.mark.parametrize("shelved", [False, True])
def test_out_of_service_goes_before_suppressed_before_shelved(*, out: bool, suppressed: bool, shelved: bool) -> None:
    state = in_state(State.ACKNOWLEDGED)
    for cover, wanted in zip(COVERS, (shelved, suppressed, out), strict=True):
        state = put(state, cover)[0] if wanted else state
    expected = (
        State.OUT_OF_SERVICE
        if out
        else State.SUPPRESSED
        if suppressed
        else State.SHELVED
        if shelved
        else State.ACKNOWLEDGED
    )
    assert state.shown == expected


@pytest.mark.parametrize("cover", COVERS)
@pytest.mark.parametrize("latching", [False, True])
def test_under_a_cover_an_activation_waits_and_a_return_is_taken_along(cover: State, *, latching: bool) -> None:
    config = alarm(latching=latching)
    waiting, _ = put(in_state(State.NORMAL, abnormal=True), cover)
    assert lifecycle.advance(waiting, config, trigger=Trigger.ACTIVE, now=NOW) == (waiting, None)
    standing, _ = put(in_state(State.UNACKNOWLEDGED), cover)
    returned, step = lifecycle.advance(replace(standing, abnormal=False), config, trigger=Trigger.CLEARED, now=NOW)
    assert step is None
    assert returned.shown == cover
    restored, step = lift(returned, cover, latching=latching)
    expected = State.LATCHED_UNACKNOWLEDGED if latching else State.RETURNED
    assert step is not None
    assert (step.before, step.after, step.annunciates) == (cover, expected, False)
    assert (restored.shown, restored.occurrence) == (expected, 3)


@pytest.mark.parametrize("cover", [State.SHELVED, State.OUT_OF_SERVICE])
@pytest.mark.parametrize("before", [s for s in State if s not in COVERS])
def test_a_cover_lifted_off_an_abnormal_condition_annunciates_a_new_occurrence(cover: State, before: State) -> None:
    covered, _ = put(in_state(before, abnormal=True), cover)
    lifted, step = lift(covered, cover)
    assert step is not None
    assert (step.before, step.after, step.annunciates) == (cover, State.UNACKNOWLEDGED, True)
    assert (lifted.shown, lifted.occurrence) == (State.UNACKNOWLEDGED, 4)
    assert lifted.timer_us == LATER.elapsed_us + 60_000_000


@pytest.mark.parametrize("cover", COVERS)
@pytest.mark.parametrize(
    "before", [State.NORMAL, State.RETURNED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED]
)
def test_a_cover_lifted_off_a_normal_condition_shows_what_was_there_before(cover: State, before: State) -> None:
    covered, _ = put(in_state(before, abnormal=False), cover)
    lifted, step = lift(covered, cover, latching=True)
    assert step is not None
    assert (step.before, step.after, step.annunciates) == (cover, before, False)
    assert (lifted.shown, lifted.occurrence, lifted.since_at_us) == (before, 3, LATER.at_us)


def test_after_a_suppression_the_condition_starts_anew() -> None:
    # the on-delay starts anew after a calibration.
    covered, _ = put(in_state(State.NORMAL, abnormal=True, pending_us=1), State.SUPPRESSED)
    lifted, step = lift(covered, State.SUPPRESSED)
    assert step == Transition(cause=Cause.UNSUPPRESSED, before=State.SUPPRESSED, after=State.NORMAL)
    assert (lifted.abnormal, lifted.pending_us, lifted.occurrence) == (False, None, 3)


@pytest.mark.parametrize(
    ("before", "latching", "expected"),
    [
        (State.UNACKNOWLEDGED, False, State.RETURNED),
        (State.ACKNOWLEDGED, False, State.NORMAL),
        (State.UNACKNOWLEDGED, True, State.LATCHED_UNACKNOWLEDGED),
        (State.ACKNOWLEDGED, True, State.LATCHED_ACKNOWLEDGED),
    ],
)
def test_a_suppression_takes_nobodys_acknowledgement_for_granted(
    before: State, *, latching: bool, expected: State
) -> None:
    # Its condition is void, as if it had cleared: what nobody acknowledged still waits for that, what latches stays.
    covered, _ = put(in_state(before), State.SUPPRESSED)
    lifted, step = lift(covered, State.SUPPRESSED, latching=latching)
    assert step == Transition(cause=Cause.UNSUPPRESSED, before=State.SUPPRESSED, after=expected)
    assert (lifted.shown, lifted.occurrence) == (expected, 3)


@pytest.mark.parametrize(("upper", "lower"), [(a, b) for a in COVERS for b in COVERS if a is not b])
def test_only_the_last_cover_shows_what_is_underneath(upper: State, lower: State) -> None:
    both, _ = put(put(in_state(State.RETURNED), lower)[0], upper)
    one, step = lift(both, upper)
    assert step is not None
    assert (one.shown, step.after, step.annunciates) == (lower, lower, False)
    none, step = lift(one, lower)
    assert step is not None
    assert (none.shown, none.occurrence) == (State.RETURNED, 3)


@pytest.mark.parametrize("cover", COVERS)
@pytest.mark.parametrize(
    ("before", "trigger", "cause", "underneath"),
    [
        (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGE, Cause.ACKNOWLEDGED, State.ACKNOWLEDGED),
        (State.RETURNED, Trigger.ACKNOWLEDGE, Cause.ACKNOWLEDGED, State.NORMAL),
        (State.LATCHED_ACKNOWLEDGED, Trigger.RESET, Cause.RESET, State.NORMAL),
    ],
)
def test_what_a_person_does_under_a_cover_is_done_and_can_be_told(
    cover: State, before: State, trigger: Trigger, cause: Cause, underneath: State
) -> None:
    # every transition is a row in the journal, with who and why; the state shown stays the cover's.
    covered, _ = put(in_state(before), cover)
    after, step = lifecycle.advance(covered, alarm(), trigger=trigger, now=LATER)
    assert step == Transition(cause=cause, before=cover, after=cover)
    assert (after.shown, after.base) == (cover, underneath)


@pytest.mark.parametrize("cover", COVERS)
def test_lifting_a_cover_that_is_not_there_changes_nothing(cover: State) -> None:
    state = in_state(State.RETURNED)
    assert lift(state, cover) == (state, None)


@pytest.mark.parametrize("state", State)
def test_whoever_looks_must_see_what_was_not_silenced_on_purpose(state: State) -> None:
    assert state.is_standing == (state not in (State.NORMAL, *COVERS))


def test_an_expired_shelving_says_so() -> None:
    shelved, _ = put(in_state(State.NORMAL), State.SHELVED)
    _, step = lifecycle.unshelve(shelved, alarm(), expired=True, now=LATER)
    assert step == Transition(cause=Cause.SHELF_EXPIRED, before=State.SHELVED, after=State.NORMAL)


def test_shelving_again_moves_the_end() -> None:
    shelved, _ = put(in_state(State.NORMAL), State.SHELVED)
    again, step = lifecycle.shelve(shelved, until_us=50_000_000, now=LATER)
    assert again.shelved_until_us == 50_000_000
    assert step == Transition(cause=Cause.SHELVED, before=State.SHELVED, after=State.SHELVED)
