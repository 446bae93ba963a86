"""Limits from above that count only after pH was below them, through the whole pipeline."""

from logger.config import AlarmConfig, AlarmKind, Priority, TargetConfig
from logger.model import Cause, Command, CommandKind, Entry, Mark
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.series import EPOCH_US, calibrate, carry_over, of_ph, restored, spot, watch

HIGH = AlarmConfig(
    id="ph-high", kind=AlarmKind.PH_HIGH, setpoint=4.6, deadband=0.05, armed_ph=4.5, window_s=60.0, on_delay_s=0.0
)
ABOVE = AlarmConfig(
    id="above-target", kind=AlarmKind.ABOVE_TARGET, on_delay_s=0.0, window_s=0.0, priority=Priority.HIGH
)
TARGET = TargetConfig(window_s=60.0, windows=3)
ASLEEP_S = 5760.0
"""At so slow a poll trust closes no window in these series, which jump."""
CLAIMING = replace(watch(ABOVE, poll_s=ASLEEP_S), vat=replace(watch(ABOVE, poll_s=ASLEEP_S).vat, target=TARGET))


def told(watched: Watch, *stretches: tuple[float | None, int], commands: tuple[Command, ...] = ()) -> list[Entry]:
    """Return what is told of alarms over stretches of (pH, records), one every 10 s; however they are cut."""
    rows = of_ph([ph for ph, n in stretches for _ in range(n)])
    journals = []
    for cuts in ((), range(1, len(rows))):
        _, outcomes = carry_over(watched, rows, commands=[calibrate(), *commands], cuts=cuts)
        journals.append([entry for outcome in outcomes for entry in outcome.entries if entry.alarm])
    assert journals[0] == journals[1]
    return journals[0]


def brief(entries: list[Entry]) -> list[tuple[Cause, int]]:
    return [(entry.cause, entry.seq) for entry in entries]


def ask(seq: int, kind: CommandKind, **more: object) -> Command:
    return Command(id=100 + seq, at_us=EPOCH_US, kind=kind, vat="vat", seq=seq, **more)  # type: ignore[arg-type]


def test_a_vat_carries_ph_high_from_its_start_and_is_told_when_it_is_back_above() -> None:
    entries = told(watch(HIGH, poll_s=ASLEEP_S), (5.5, 60), (4.55, 60), (4.7, 60), (4.45, 60), (4.7, 60))
    assert brief(entries) == [(Cause.ANNUNCIATED, 247)]  # the first whole minute after it was down to 4.5


def test_what_armed_it_survives_a_restart_and_a_calibration() -> None:
    state, _ = carry_over(watch(HIGH, poll_s=ASLEEP_S), of_ph([4.4] * 60), commands=[calibrate()])
    state = replace(state, carry=restored(state.carry))
    rows = of_ph([4.7] * 60, first_seq=61, start_s=600.0)
    _, outcome = pipeline.step(watch(HIGH, poll_s=ASLEEP_S), state, rows, commands=[calibrate(70)])
    assert [entry.cause for entry in outcome.entries if entry.alarm] == [Cause.ANNUNCIATED]


def test_another_batch_disarms_it_and_what_stood_is_over() -> None:
    started = ask(90, CommandKind.MARK, note=Mark.STARTED)
    entries = told(watch(HIGH, poll_s=ASLEEP_S), (4.4, 30), (4.7, 30), (5.9, 120), commands=(started,))
    assert brief(entries) == [(Cause.ANNUNCIATED, 37), (Cause.RETURNED, 91)]
    assert entries[1].text == "another batch was started: this counts once pH is down to 4.50"


def test_a_target_that_was_claimed_is_watched_from_above() -> None:
    entries = told(
        CLAIMING, (4.7, 60), (4.45, 60), (4.61, 60), (4.65, 60), (4.61, 60), (4.58, 60), commands=(spot(80, 4.45),)
    )
    assert brief(entries) == [(Cause.ANNUNCIATED, 187), (Cause.RETURNED, 307)]
    assert entries[0].text.startswith(
        "pH has risen through its target, after it was claimed. It reads 4.65 +/- 0.08 (k=2)"
    )
    assert "or nothing is claimed any more" in entries[1].text
    assert entries[0].annunciates


def test_what_was_never_claimed_is_not_above_its_target_again() -> None:
    assert told(CLAIMING, (4.7, 60), (4.58, 60), (4.7, 60)) == []


def test_what_is_not_believed_neither_raises_nor_clears_it() -> None:
    entries = told(CLAIMING, (4.45, 60), (None, 60), (4.65, 30), (None, 60), commands=(spot(30, 4.45),))
    assert brief(entries) == [(Cause.ANNUNCIATED, 127)]


def test_a_withdrawn_claim_is_told_by_its_own_alarm_and_another_batch_has_no_claim() -> None:
    confirmed = spot(30, 4.49)
    entries = told(CLAIMING, (4.49, 60), (4.65, 60), commands=(confirmed, spot(100, 4.65, -0.9)))
    assert brief(entries) == [(Cause.ANNUNCIATED, 67), (Cause.RETURNED, 100)]
    started = ask(100, CommandKind.MARK, note=Mark.STARTED)
    entries = told(CLAIMING, (4.49, 60), (4.65, 60), commands=(confirmed, started))
    assert brief(entries) == [(Cause.ANNUNCIATED, 67), (Cause.RETURNED, 100)]
