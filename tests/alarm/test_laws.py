"""The laws of the alarms, each shown on a scripted night through the whole pipeline (a record every 10 s)."""

import msgspec
import pytest

from logger.config import AlarmConfig, AlarmKind
from logger.model import Carry, Cause, CommandKind, Measurements, Quality, Reason, State, WatchState
from logger.structs import replace
from logger.watch import pipeline
from tests.alarm.notation import Night, ask, carried, mark, night, values
from tests.series import EPOCH_US, block, calibrate, millivolts, of_ph, raw_alarm, watch

HIGH = raw_alarm(on_delay_s=30.0)
LATCHING = replace(HIGH, latching=True)
NO_DATA = raw_alarm(AlarmKind.NO_DATA, None, on_delay_s=30.0, deadband=0.0)
BLIND = raw_alarm(AlarmKind.BLIND, None, on_delay_s=30.0, deadband=0.0)
WARM = raw_alarm(AlarmKind.TEMPERATURE_HIGH, 25.0, on_delay_s=20.0, deadband=0.5)


def test_the_notation_spells_a_series_out() -> None:
    assert values("7.0x2 7.3x3 _x2 6.9 _") == [7.0, 7.0, 7.3, 7.3, 7.3, None, None, 6.9, None]


# One occurrence, one alert.


def test_the_same_abnormal_value_repeated_never_annunciates_twice() -> None:
    seen = night("4.5x3 4.7x500", HIGH)
    assert seen.told() == ["7 ph-high: annunciated, unacknowledged !1"]


def test_a_value_that_comes_and_goes_within_the_deadband_never_annunciates_twice() -> None:
    seen = night("4.5x3 4.7x5" + " 4.58x2 4.62x2" * 40, HIGH)
    assert seen.told() == ["7 ph-high: annunciated, unacknowledged !1"]


def test_each_occurrence_has_the_next_number() -> None:
    seen = night("4.7x5 4.5x5 4.7x5 4.5x5 4.7x5", HIGH)
    assert seen.annunciated() == [(4, "ph-high", 1), (14, "ph-high", 2), (24, "ph-high", 3)]


def test_an_alarm_tells_value_doubt_setpoint_and_priority() -> None:
    (entry,) = night("4.5 4.7x4", replace(HIGH, priority="high")).entries[1:]  # type: ignore[arg-type]
    assert entry.value == pytest.approx(4.7, abs=1e-6)
    assert entry.u == pytest.approx(0.054, abs=0.001)  # a single reading, fresh: our own budget by hand, with 0.9 mV
    assert (entry.setpoint, entry.priority, entry.before, entry.after) == (4.6, "high", "normal", "unacknowledged")
    assert entry.text == "pH 4.70 +/- 0.11 (k=2), at or above 4.60 for 30 s; probability that it is above: 97 %"
    assert (entry.seq, entry.at_us, entry.vat) == (5, EPOCH_US + 40_000_000, "vat")


def test_an_alarm_on_medians_tells_the_doubt_of_the_median() -> None:
    windowed = replace(HIGH, window_s=600.0, on_delay_s=0.0)
    (entry,) = night("4.7x61", windowed).of("ph-high")
    assert entry.value == pytest.approx(4.7, abs=1e-6)
    assert entry.u == pytest.approx(0.052, abs=0.0008)  # our own budget worked by hand


# Acknowledging.


def acknowledged(*, occurrence: int | None, at: tuple[int, ...]) -> Night:
    text = "4.7x5 4.5x5 4.7x9"  # occurrence 1 at record 4, returned at 6, occurrence 2 at 14
    return night(text, HIGH, commands=[ask(n, CommandKind.ACKNOWLEDGE, HIGH.id, occurrence=occurrence) for n in at])


def test_a_late_acknowledgement_of_one_occurrence_is_refused_for_the_next() -> None:
    seen = acknowledged(occurrence=1, at=(16,))
    assert [(a.applied, a.text) for a in seen.answers[1:]] == [
        (False, "occurrence 1 of ph-high is not the present one, which is 2")
    ]
    assert seen.told()[-1] == "14 ph-high: annunciated, unacknowledged !2"
    assert seen.of("ph-high")[-1].cause == Cause.REFUSED


def test_acknowledging_twice_changes_nothing() -> None:
    seen = acknowledged(occurrence=2, at=(16, 17))
    assert [(a.applied, a.text) for a in seen.answers[1:]] == [
        (True, "acknowledged"),
        (True, "nothing to acknowledge: the alarm is acknowledged"),
    ]
    assert seen.told()[-1] == "16 ph-high: acknowledged, acknowledged"
    assert seen.entries[-1].by == "tester"


def test_acknowledging_without_a_number_means_the_present_occurrence() -> None:
    assert acknowledged(occurrence=None, at=(16,)).told()[-1] == "16 ph-high: acknowledged, acknowledged"


def test_acknowledging_a_return_makes_the_alarm_normal() -> None:
    assert "8 ph-high: acknowledged, normal" in acknowledged(occurrence=1, at=(8,)).told()


def test_acknowledging_never_changes_the_condition() -> None:
    seen = night("4.7x20 4.5x2", HIGH, commands=[ask(6, CommandKind.ACKNOWLEDGE, HIGH.id)])
    assert seen.told()[-2:] == ["6 ph-high: acknowledged, acknowledged", "21 ph-high: returned, normal"]


def test_an_acknowledgement_under_a_cover_is_answered_and_journalled() -> None:
    seen = night(
        "4.7x20",
        HIGH,
        commands=[ask(6, CommandKind.SHELVE, HIGH.id), ask(8, CommandKind.ACKNOWLEDGE, HIGH.id, occurrence=1)],
    )
    assert seen.told()[-1] == "8 ph-high: acknowledged, shelved"
    assert seen.answers[-1].text == "acknowledged"


# Missing and failed data.


def test_missing_data_neither_clear_nor_advance_an_alarm() -> None:
    assert night("4.7x5 _x60 4.7x5", HIGH).told() == ["4 ph-high: annunciated, unacknowledged !1"]
    assert night("4.5x5 4.7x3 _x60", HIGH).told() == []


def test_failed_data_speak_for_nothing() -> None:
    # -700 mV is outside the electrode's span and fails, though a pH of 18.9 would be high.
    seen = carried(watch(HIGH, BLIND), block([millivolts(4.5)] * 3 + [-700.0] * 20), [calibrate()])
    assert seen.told() == ["7 blind: annunciated, unacknowledged !1"]
    assert seen.rows.quality.tolist() == [Quality.PASS] * 3 + [Quality.FAIL] * 20


def test_a_short_silence_does_not_stop_an_on_delay() -> None:
    assert night("4.7x2 _x5 4.7", HIGH).told() == ["8 ph-high: annunciated, unacknowledged !1"]


def test_an_on_delay_over_a_long_silence_starts_anew_and_the_journal_says_so() -> None:
    # QualityLimits.max_gap_s is 300 s: 30 missing records make 310 s between two readings.
    assert night("4.7x2 _x29 4.7", HIGH).told() == ["32 ph-high: annunciated, unacknowledged !1"]
    seen = night("4.7x2 _x30 4.7x5", HIGH)
    assert seen.told() == [
        "33 ph-high: on-delay-restarted, normal",
        "36 ph-high: annunciated, unacknowledged !1",
    ]
    assert seen.of("ph-high")[0].text == "the on-delay starts anew after a gap in what could be believed"


def test_an_unobserved_gap_restarts_the_on_delay_too() -> None:
    rows = of_ph(values("4.7x8"))
    shift = [0, 0] + [400_000_000] * 6
    rows = replace(rows, elapsed_us=rows.elapsed_us + shift, at_us=rows.at_us + shift)
    seen = carried(watch(HIGH), rows, [calibrate()])
    assert seen.told() == ["3 ph-high: on-delay-restarted, normal", "6 ph-high: annunciated, unacknowledged !1"]


def test_between_windows_a_gap_may_be_longer_by_one_window() -> None:
    # Two windows of 60 s in a row are judged 60 s apart when nothing is amiss: 300 s and 60 s.
    windowed = replace(HIGH, window_s=60.0, on_delay_s=360.0)
    assert night("4.7x6 _x30 4.7x7", windowed).told() == ["43 ph-high: annunciated, unacknowledged !1"]
    assert night("4.7x6 _x36 4.7x7", windowed).told() == ["49 ph-high: on-delay-restarted, normal"]


def test_no_data_speaks_while_the_process_alarms_hold() -> None:
    seen = night("4.7x5 _x10 4.7x5", HIGH, NO_DATA, BLIND)
    assert seen.told() == [
        "4 ph-high: annunciated, unacknowledged !1",
        "9 no-data: annunciated, unacknowledged !1",
        "16 no-data: returned, returned-unacknowledged",
    ]
    raised, back = seen.of("no-data")
    assert raised.text == f"No reading for 30 s: {Reason.TIMEOUT.words}. pH alarms are paused meanwhile"
    assert back.text == "readings arrive again"
    assert (raised.value, raised.u, raised.setpoint) == (None, None, None)


def test_what_is_suspect_may_raise_but_never_clears() -> None:
    # Steps of 300 s, as long as the witnesses' windows, so that nothing is erratic.
    # pH 12 is at -289 mV, under suspect_low_mv; 0.1 is at 400 mV, over suspect_high_mv, and would be back to normal.
    text = f"{' '.join(f'{4.5 + 0.3 * i}x30' for i in range(26))} 12.0x5"
    quiet = replace(HIGH, setpoint=11.9)
    seen = night(f"{text} 12.05x5", quiet)
    assert len(seen.annunciated()) == 1
    assert seen.rows.quality[-1] == Quality.SUSPECT
    low = replace(HIGH, setpoint=0.5)
    steps = " ".join(f"{round(4.5 - 0.3 * i, 1)}" for i in range(14))
    held = night(f"{steps} -0.1x30", low)
    assert held.told() == ["4 ph-high: annunciated, unacknowledged !1"]


def test_a_jump_never_raises_a_process_alarm_at_once() -> None:
    # 4.5 to 5.4 is 52 mV in one record (limit 45): the first record of the new level is not heard, the second one is.
    prompt = replace(HIGH, on_delay_s=0.0)
    assert night("4.5x5 5.4", prompt).told() == []
    assert night("4.5x5 5.4x2", prompt).told() == ["7 ph-high: annunciated, unacknowledged !1"]
    assert night("4.5x5 5.4 4.5x5", prompt).told() == []
    assert night("4.5x5 _x3 5.4 4.5x5", prompt).told() == []


def test_knocks_never_raise_a_process_alarm_judged_by_medians() -> None:
    windowed = replace(HIGH, window_s=60.0, on_delay_s=0.0)
    assert night("4.5x3 5.5 " * 30, windowed).told() == []
    assert night("4.5x12 4.7x12 4.7", windowed).told() == ["19 ph-high: annunciated, unacknowledged !1"]


def test_spikes_too_small_for_a_jump_are_left_out_of_the_medians() -> None:
    # 4.5 and 4.75 in turn are 14.5 mV apart: no jump (20 mV), but spikes (10 mV); their median would be 4.62.
    windowed = replace(HIGH, window_s=60.0, on_delay_s=0.0)
    assert night("4.5 4.75 " * 60, windowed).told() == []


# Reminders and re-alarm.


def test_what_nobody_acknowledges_is_reminded_of_with_the_same_occurrence() -> None:
    seen = night("4.7x20", replace(HIGH, reminder_s=60.0))
    assert seen.told() == [
        "4 ph-high: annunciated, unacknowledged !1",
        "10 ph-high: reminder, unacknowledged",
        "16 ph-high: reminder, unacknowledged",
    ]
    assert [(e.occurrence, e.reminder) for e in seen.of("ph-high")] == [(1, 0), (1, 1), (1, 2)]
    assert seen.of("ph-high")[1].text.startswith("Still not acknowledged: pH 4.70")


def test_what_stands_on_though_acknowledged_annunciates_anew() -> None:
    seen = night("4.7x20", replace(HIGH, realarm_s=60.0), commands=[ask(6, CommandKind.ACKNOWLEDGE, HIGH.id)])
    assert seen.told()[1:] == [
        "6 ph-high: acknowledged, acknowledged",
        "12 ph-high: re-alarm, unacknowledged !2",
    ]
    assert seen.of("ph-high")[-1].text.startswith("Still standing: pH 4.70")


# Latching and reset.


def test_a_latching_alarm_stays_until_it_is_acknowledged_and_reset() -> None:
    asked = [
        ask(8, CommandKind.RESET, HIGH.id),
        ask(9, CommandKind.ACKNOWLEDGE, HIGH.id),
        ask(10, CommandKind.RESET, HIGH.id),
    ]
    seen = night("4.7x5 4.5x20", LATCHING, commands=asked)
    assert seen.told() == [
        "4 ph-high: annunciated, unacknowledged !1",
        "6 ph-high: returned, latched-unacknowledged",
        "9 ph-high: acknowledged, latched-acknowledged",
        "10 ph-high: reset, normal",
    ]
    assert [a.text for a in seen.answers[1:]] == [
        "nothing to reset: the alarm is latched-unacknowledged",
        "acknowledged",
        "reset",
    ]


# The journal.


def test_every_transition_is_an_entry() -> None:
    asked = [
        ask(6, CommandKind.ACKNOWLEDGE, HIGH.id),
        ask(12, CommandKind.SHELVE, HIGH.id, duration_s=60.0),
        mark(15, "probe-out", duration_s=100.0),
        ask(16, CommandKind.OUT_OF_SERVICE, HIGH.id),
        mark(25, "probe-in"),
        ask(30, CommandKind.RETURN_TO_SERVICE, HIGH.id),
        ask(45, CommandKind.ACKNOWLEDGE, HIGH.id),
        ask(46, CommandKind.RESET, HIGH.id),
    ]
    timed = replace(LATCHING, reminder_s=50.0, realarm_s=70.0)
    seen = night("4.7x9 4.5x4 4.7x27 4.5x10", timed, commands=asked)
    shown = State.NORMAL
    for entry in seen.of(HIGH.id):
        assert entry.before == shown
        assert entry.after is not None
        shown = entry.after
    assert seen.told() == [
        "4 ph-high: annunciated, unacknowledged !1",
        "6 ph-high: acknowledged, acknowledged",
        "10 ph-high: returned, latched-acknowledged",
        "12 ph-high: shelved, shelved",
        "15 ph-high: suppressed, suppressed",
        "16 ph-high: out-of-service, out-of-service",
        "18 ph-high: shelf-expired, out-of-service",
        "25 ph-high: unsuppressed, out-of-service",
        "30 ph-high: returned-to-service, unacknowledged !2",
        "35 ph-high: reminder, unacknowledged",
        "40 ph-high: reminder, unacknowledged",
        "41 ph-high: returned, latched-unacknowledged",
        "45 ph-high: acknowledged, latched-acknowledged",
        "46 ph-high: reset, normal",
    ]


# Restart.


def restarted(state: WatchState, log: Measurements) -> WatchState:
    """Stop, write the carry as text, start again, and read the newest records back from the log."""
    carry = msgspec.json.decode(msgspec.json.encode(state.carry), type=Carry)
    return WatchState.of(carry, log[len(log) - carry.windows.recent :])


@pytest.mark.parametrize("alarm", [HIGH, replace(HIGH, window_s=60.0), replace(LATCHING, reminder_s=50.0)])
@pytest.mark.parametrize("at", range(1, 40, 3))
def test_a_restart_restores_the_state_and_does_not_annunciate_again(alarm: AlarmConfig, at: int) -> None:
    watched, rows = watch(alarm, NO_DATA), of_ph(values("4.5x5 4.7x12 _x5 4.7x4 4.5x14"))
    commands = [
        calibrate(),
        ask(12, CommandKind.ACKNOWLEDGE, alarm.id),
        ask(24, CommandKind.SHELVE, alarm.id, duration_s=50.0),
        mark(31, "probe-out", duration_s=40.0),
    ]
    whole_state, whole = pipeline.step(watched, pipeline.fresh(watched), rows, commands=commands)
    before = [c for c in commands if c.seq <= at]
    state, first = pipeline.step(watched, pipeline.fresh(watched), rows[:at], commands=before)
    again = restarted(state, first.measurements)
    assert again.carry == state.carry
    state, second = pipeline.step(watched, again, rows[at:], commands=[c for c in commands if c.seq > at])
    assert first.entries + second.entries == whole.entries
    assert state.carry == whole_state.carry


def test_the_newest_believed_reading_is_remembered() -> None:
    watched = watch(HIGH)
    state, _ = pipeline.step(watched, pipeline.fresh(watched), of_ph(values("4.5x5 _x5")), commands=[calibrate()])
    assert (state.carry.reported.believed_at_us, state.carry.reported.believed_us) == (
        EPOCH_US + 40_000_000,
        40_000_000,
    )


def test_an_empty_block_changes_nothing() -> None:
    watched = watch(HIGH)
    state, outcome = pipeline.step(watched, pipeline.fresh(watched), of_ph([]))
    assert state.carry == pipeline.fresh(watched).carry
    assert (len(outcome.measurements), outcome.entries, outcome.answers) == (0, (), ())
