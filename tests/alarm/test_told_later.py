"""What is told some time after an alarm came names the value that was judged last, and the one with which it came."""

from collections.abc import Sequence

from logger.config import AlarmKind
from logger.model import Cause, Command, CommandKind, Entry
from tests.series import EPOCH_US, calibrate, carry_over, of_ph, raw_alarm, restored, watch

REMINDED = raw_alarm(setpoint=4.6, deadband=0.2, reminder_s=60.0)


def told(values: Sequence[float | None], *commands: Command) -> list[Entry]:
    """Return what is told of a high pH, a record every 10 s."""
    state, outcomes = carry_over(watch(REMINDED), of_ph(values), commands=[calibrate(), *commands], cuts=range(99))
    assert restored(state.carry) == state.carry
    return [entry for outcome in outcomes for entry in outcome.entries if entry.alarm]


def ask(seq: int, kind: CommandKind, **more: float) -> Command:
    return Command(id=100 + seq, at_us=EPOCH_US, kind=kind, vat="vat", alarm="ph-high", seq=seq, **more)  # type: ignore[arg-type]


def of(entries: list[Entry], cause: Cause) -> Entry:
    return next(entry for entry in entries if entry.cause is cause)


def test_a_reminder_names_the_value_judged_last_and_the_one_when_it_came() -> None:
    reminder = of(told([4.8] + [4.5] * 9), Cause.REMINDER)
    assert (round(reminder.value or 0.0, 2), reminder.before) == (4.5, reminder.after)
    assert reminder.text.startswith("Still not acknowledged: pH 4.50 +/- ")
    assert "(k=2) when last judged, pH 4.80 when it came, at or above 4.60" in reminder.text
    assert reminder.told is not None
    assert "pH 4.50 +/- 0.11 when last judged, at or above 4.60" in reminder.told.lines[0]


def test_where_it_stands_as_it_came_it_names_one_value() -> None:
    assert "pH 4.80 +/- 0.11 (k=2) when last judged, at or above" in of(told([4.8] * 9), Cause.REMINDER).text


def test_what_is_silent_since_was_judged_last_before() -> None:
    reminder = of(told([4.8, 4.7, *[None] * 8]), Cause.REMINDER)
    assert "pH 4.70 +/- 0.11 (k=2) when last judged, pH 4.80 when it came" in reminder.text


def test_the_end_of_a_shelf_names_what_came_under_it() -> None:
    # It came at 4.8, was shelved, returned, and came again at 4.9 under the shelf: nobody was told of that.
    shelved = ask(2, CommandKind.SHELVE, duration_s=50.0)
    entry = of(told([4.8, 4.8, 4.2, 4.9, 4.9, 4.7, 4.7, 4.7, 4.7], shelved), Cause.SHELF_EXPIRED)
    assert (entry.annunciates, round(entry.value or 0.0, 2)) == (True, 4.7)
    assert "pH 4.70 +/- 0.11 (k=2) when last judged, at or above 4.60" in entry.text


def test_who_ends_a_shelf_is_told_the_same() -> None:
    commands = (ask(2, CommandKind.SHELVE, duration_s=3600.0), ask(6, CommandKind.UNSHELVE))
    entry = of(told([4.8, 4.8, 4.2, 4.9, 4.7, 4.7, 4.7], *commands), Cause.UNSHELVED)
    assert round(entry.value or 0.0, 2) == 4.7


def test_an_alarm_without_a_value_has_none_later_either() -> None:
    silent = raw_alarm(AlarmKind.NO_DATA, None, reminder_s=30.0, deadband=0.0)
    state, outcomes = carry_over(watch(silent), of_ph([4.2, *[None] * 9]), commands=[calibrate()])
    reminders = [entry for outcome in outcomes for entry in outcome.entries if entry.cause is Cause.REMINDER]
    assert reminders
    assert {entry.value for entry in reminders} == {None}
    assert state.carry.alarms["no-data"].newest is None
