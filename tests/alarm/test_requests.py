"""What a person asks of the watch, on scripted nights: covers, marks, notes, calibrations, and what is refused."""

import pytest

from logger.config import AlarmKind
from logger.model import Cause, Command, CommandKind
from logger.model import QualityTests as Against
from logger.structs import replace
from tests.alarm.notation import ask, carried, mark, night
from tests.series import block, calibrate, calibration, millivolts, of_ph, raw_alarm, watch

HIGH = raw_alarm(on_delay_s=30.0)
NO_DATA = raw_alarm(AlarmKind.NO_DATA, None, on_delay_s=30.0, deadband=0.0)
BLIND = raw_alarm(AlarmKind.BLIND, None, on_delay_s=30.0, deadband=0.0)
BARE = raw_alarm(AlarmKind.NO_CALIBRATION, None, on_delay_s=30.0, deadband=0.0)
WARM = raw_alarm(AlarmKind.TEMPERATURE_HIGH, 25.0, on_delay_s=20.0, deadband=0.5)


# Covers.


def test_a_shelving_ends_by_itself_and_what_is_still_abnormal_annunciates() -> None:
    seen = night("4.7x20", HIGH, commands=[ask(6, CommandKind.SHELVE, HIGH.id, duration_s=60.0, note="lid is off")])
    assert seen.told()[1:] == ["6 ph-high: shelved, shelved", "12 ph-high: shelf-expired, unacknowledged !2"]
    shelved, over = seen.of("ph-high")[1:]
    assert (shelved.by, shelved.text) == ("tester", "shelved (lid is off)")
    assert over.text.startswith("Shelving is over, and still abnormal: pH 4.70")


def test_a_shelving_that_ends_on_a_normal_condition_is_not_loud() -> None:
    seen = night("4.5x20", HIGH, commands=[ask(2, CommandKind.SHELVE, HIGH.id, duration_s=60.0)])
    assert seen.told() == ["2 ph-high: shelved, shelved", "8 ph-high: shelf-expired, normal"]


@pytest.mark.parametrize(
    ("duration_s", "applied", "text"),
    [
        (None, True, "shelved for 480 min"),
        (28800.0, True, "shelved for 480 min"),
        (28800.1, False, "shelving for 480.002 min is not possible: it must be over 0 and at most 480 min"),
        (0.0, False, "what is asked for must last at least 0.01 min, not 0"),
        (-60.0, False, "what is asked for must last at least 0.01 min, not -1"),
        (float("nan"), False, "what is asked for must last at least 0.01 min, not nan"),
    ],
)
def test_a_shelving_has_a_longest_time(duration_s: float | None, *, applied: bool, text: str) -> None:
    seen = night("4.5x3", HIGH, commands=[ask(2, CommandKind.SHELVE, HIGH.id, duration_s=duration_s)])
    assert (seen.answers[-1].applied, seen.answers[-1].text[: len(text)]) == (applied, text)


def test_a_late_shelving_cannot_silence_the_next_occurrence() -> None:
    # The hub sends the occurrence that its person saw; meanwhile the alarm has returned and come again.
    asked = [ask(10, CommandKind.SHELVE, HIGH.id, occurrence=1), ask(11, CommandKind.SHELVE, HIGH.id, occurrence=2)]
    late, timely = night("4.7x4 4.5 4.7x8", HIGH, commands=asked).answers[-2:]
    assert (late.applied, late.text) == (False, "occurrence 1 of ph-high is not the present one, which is 2")
    assert timely.applied


def test_unshelving_and_returning_to_service_say_when_there_is_nothing_to_do() -> None:
    asked = [
        ask(2, CommandKind.UNSHELVE, HIGH.id),
        ask(3, CommandKind.SHELVE, HIGH.id),
        ask(4, CommandKind.UNSHELVE, HIGH.id),
        ask(5, CommandKind.RETURN_TO_SERVICE, HIGH.id),
        ask(6, CommandKind.OUT_OF_SERVICE, HIGH.id),
        ask(7, CommandKind.OUT_OF_SERVICE, HIGH.id),
        ask(8, CommandKind.RETURN_TO_SERVICE, HIGH.id),
    ]
    seen = night("4.5x9", HIGH, commands=asked)
    assert [a.text for a in seen.answers[1:]] == [
        "it was not shelved",
        "shelved for 480 min",
        "unshelved",
        "it was in service",
        "out of service until it is returned to service",
        "it is out of service already",
        "returned to service",
    ]
    assert seen.told() == [
        "3 ph-high: shelved, shelved",
        "4 ph-high: unshelved, normal",
        "6 ph-high: out-of-service, out-of-service",
        "8 ph-high: returned-to-service, normal",
    ]


def test_out_of_service_is_silent_and_back_in_service_it_speaks() -> None:
    asked = [ask(2, CommandKind.OUT_OF_SERVICE, HIGH.id), ask(15, CommandKind.RETURN_TO_SERVICE, HIGH.id)]
    seen = night("4.7x20", HIGH, commands=asked)
    assert seen.told() == [
        "2 ph-high: out-of-service, out-of-service",
        "15 ph-high: returned-to-service, unacknowledged !1",
    ]


# The probe out of the vat.


def test_a_probe_out_mark_suspends_process_alarms_and_no_others() -> None:
    # The probe is in air or in a rinse meanwhile: no believed reading, and the instrument's alarms go on speaking.
    text = "4.5x5 _x10 4.7x10"
    asked = [mark(4, "probe-out", duration_s=120.0)]
    seen = night(text, HIGH, NO_DATA, commands=[*asked, mark(16, "probe-in")])
    assert seen.told() == [
        "4 ph-high: suppressed, suppressed",
        "9 no-data: annunciated, unacknowledged !1",
        "16 ph-high: unsuppressed, normal",
        "16 no-data: returned, returned-unacknowledged",
        "19 ph-high: annunciated, unacknowledged !1",
    ]


def test_after_the_probe_is_back_the_on_delay_starts_anew() -> None:
    asked = [mark(2, "probe-out"), mark(12, "probe-in")]
    seen = night("4.5 4.7x30", HIGH, commands=asked)
    assert seen.told() == [
        "2 ph-high: suppressed, suppressed",
        "12 ph-high: unsuppressed, normal",
        "15 ph-high: annunciated, unacknowledged !1",
    ]
    assert [e.text for e in seen.of("ph-high")[:2]] == [
        "suspended while the probe is out",
        "watched again; its delay starts anew",
    ]
    assert [a.text for a in seen.answers[1:]] == [
        "process alarms suspended for 20 min",
        "process alarms watch again, their delays start anew",
    ]


def test_a_probe_left_out_is_not_suspended_for_ever_and_raises_nothing_before_somebody_says_that_it_is_back() -> None:
    # VatConfig.probe_out_s is 1200 s: record 2 + 120.
    seen = night("4.5 4.7x150", HIGH, commands=[mark(2, "probe-out"), mark(140, "probe-in")])
    assert seen.told()[1:] == [
        "122 ph-high: unsuppressed, normal",
        "143 ph-high: annunciated, unacknowledged !1",
    ]


def test_an_alarm_that_stood_unacknowledged_stands_when_the_probe_is_back() -> None:
    seen = night("4.7x5 4.5x20", HIGH, commands=[mark(5, "probe-out"), mark(9, "probe-in")])
    assert seen.told() == [
        "4 ph-high: annunciated, unacknowledged !1",
        "5 ph-high: suppressed, suppressed",
        "9 ph-high: unsuppressed, returned-unacknowledged",
    ]


@pytest.mark.parametrize(
    "marks", [[mark(7, "probe-out"), mark(12, "probe-in")], [mark(7, "probe-out", duration_s=50.0)]]
)
def test_windows_leave_out_what_was_read_while_the_probe_was_out(marks: list[Command]) -> None:
    windowed = replace(HIGH, window_s=60.0, on_delay_s=0.0)
    # Window of records 7 to 12: out of the vat up to 11, and abnormal there.
    seen = night("4.5x6 4.7x5 4.5x8", windowed, commands=marks)
    assert seen.told() == ["7 ph-high: suppressed, suppressed", "12 ph-high: unsuppressed, normal"]


@pytest.mark.parametrize(
    ("command", "text"),
    [
        (
            mark(2, "shaken"),
            "unknown mark 'shaken'; there are: probe-out, probe-in, stirred, topped-up, started, ended",
        ),
        (mark(2, "stirred", duration_s=-1.0), "what is asked for must last at least 0.01 min, not -0.0166667"),
        (mark(2, "started", duration_s=-36.0), "a start must lie at least 0 h back, not -0.01"),
        (
            ask(2, CommandKind.MARK, note="topped-up", litres=0.0),
            "what was topped up must be at least 0.001 L, not 0",
        ),
        (
            ask(2, CommandKind.MARK, note="stirred", litres=4.0),
            "litres go with topped-up, not with stirred",
        ),
        (mark(2, "probe-out", duration_s=0.0), "what is asked for must last at least 0.01 min, not 0"),
        (mark(2, "probe-out", duration_s=28800.6), "a mark must last over 0 and at most 480 min, not 480.01"),
        (ask(2, CommandKind.SHELVE, "ph-hgih"), "vat vat has no alarm 'ph-hgih'; it has: ph-high"),
        (ask(2, CommandKind.CALIBRATE), "the command holds no calibration"),
        (
            ask(2, CommandKind.CALIBRATE, calibration=calibration("other")),
            "calibration 1 is of probe other, not of probe",
        ),
    ],
)
def test_a_command_that_cannot_be_carried_out_changes_nothing_but_the_journal(command: Command, text: str) -> None:
    plain, asked = night("4.5x3 4.7x9", HIGH), night("4.5x3 4.7x9", HIGH, commands=[command])
    assert (asked.answers[-1].applied, asked.answers[-1].text) == (False, text)
    (refusal,) = [e for e in asked.entries if e.cause == Cause.REFUSED]
    assert (refusal.seq, refusal.text, refusal.by) == (2, f"{command.kind} refused: {text}", "tester")
    assert [e for e in asked.entries if e.cause != Cause.REFUSED] == list(plain.entries)


def test_a_note_is_journalled() -> None:
    seen = night("4.5x3", HIGH, commands=[ask(2, CommandKind.NOTE, note="topped up with brine")])
    note = seen.entries[-1]
    assert (note.cause, note.seq, note.text, note.by) == (Cause.NOTED, 2, "topped up with brine", "tester")


# Calibration.


def test_without_a_calibration_no_ph_is_claimed_and_one_alarm_says_why() -> None:
    seen = night("4.7x10", HIGH, BLIND, BARE, calibrated=False)
    assert seen.told() == ["4 no-calibration: annunciated, unacknowledged !1"]
    assert seen.entries[0].text == (
        "No calibration is in force, so no pH is claimed and nothing watches it: calibrate the probe"
    )
    rows = seen.rows
    assert [bool(v != v) for v in rows.ph.tolist()] == [True] * 10  # noqa: PLR0124 - NaN
    assert rows.potential_mv.tolist() == [millivolts(4.7)] * 10
    assert rows.calibration.tolist() == [0] * 10
    assert all(Against.UNCALIBRATED in Against(int(tests)) for tests in rows.tests)


def test_without_a_calibration_the_thermometer_is_watched_all_the_same() -> None:
    windowed = [replace(alarm, window_s=60.0, on_delay_s=0.0) for alarm in (HIGH, WARM, BLIND)]
    seen = carried(watch(*windowed), of_ph([4.7] * 7, 26.0), [])
    assert seen.told() == ["7 temperature-high: annunciated, unacknowledged !1"]


def test_a_calibration_ends_the_want_of_one_and_starts_the_on_delay_of_ph_alarms_anew() -> None:
    seen = night("4.7x20", HIGH, BARE, calibrated=False, commands=[replace(calibrate(), id=6, seq=6)])
    assert seen.told() == [
        "4 no-calibration: annunciated, unacknowledged !1",
        "6 no-calibration: returned, returned-unacknowledged",
        "9 ph-high: annunciated, unacknowledged !1",
    ]
    again = night("4.7x20", HIGH, commands=[replace(calibrate(), id=3, seq=3)])
    assert again.told() == ["6 ph-high: annunciated, unacknowledged !1"]
    assert again.entries[0].text == "calibration 1 in force: slope 99.4%, offset -1.8 mV"


def test_a_calibration_does_not_touch_the_delays_of_the_thermometer() -> None:
    seen = carried(watch(WARM), of_ph([4.5] * 6, 25.0), [calibrate(), replace(calibrate(), id=3, seq=2)])
    assert seen.told() == ["3 temperature-high: annunciated, unacknowledged !1"]
    assert seen.entries[-1].text == "25.0 C, at or above 25.0 C for 20 s"


def test_a_broken_thermometer_blinds_and_is_named() -> None:
    rows = block([millivolts(4.5)] * 10, [20.0] * 3 + [None] * 7)
    seen = carried(watch(HIGH, WARM, BLIND), rows, [calibrate()])
    assert seen.told() == ["7 blind: annunciated, unacknowledged !1"]
    assert "the thermometer is out of its range or gives nothing" in seen.of("blind")[0].text
