"""Trust in a probe on its way through the pipeline: what earns it, what loses it, and what alarms make of it.

Limits without a source beside them are of a trial on simulated vats, no source.
"""

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
import pytest

from logger.config import AlarmConfig, AlarmKind, TargetConfig, default_alarm
from logger.model import (
    Belief,
    Block,
    Cause,
    CheckKind,
    Command,
    CommandKind,
    EarnedBy,
    Entry,
    Mark,
    Outcome,
    QualityTests,
    State,
    TrustCause,
    TrustLevel,
    WatchState,
)
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.series import EPOCH_US, calibrate, check, millivolts, of_ph, watch

POLL_S = 20.0
HOUR = round(3600 / POLL_S)
HIGH = AlarmConfig(id="ph-high", kind=AlarmKind.PH_HIGH, setpoint=5.0, deadband=0.05, window_s=300.0, on_delay_s=600.0)
LOST = default_alarm(AlarmKind.TRUST_LOST)
WATCH = watch(HIGH, LOST, poll_s=POLL_S)


def readings(
    ph: Sequence[float], *, seed: int = 1, poll_s: float = POLL_S, first: int = 1, start_s: float = 0.0
) -> Block:
    """Return what a probe reads, with a little noise, or it would be frozen."""
    noisy = np.array(ph) + np.random.default_rng(seed).normal(0, 0.004, len(ph))
    return of_ph(noisy.tolist(), every_s=poll_s, first_seq=first, start_s=start_s)


def ask(seq: int, kind: CommandKind, **more: object) -> Command:
    return Command(id=1000 + seq, at_us=EPOCH_US, kind=kind, vat="vat", probe="probe", by="tova", seq=seq, **more)  # type: ignore[arg-type]


def mark(seq: int, what: Mark, **more: object) -> Command:
    return ask(seq, CommandKind.MARK, note=what.value, **more)


def spot(seq: int, reference_ph: float, off: float) -> Command:
    made = replace(check(off, at_s=seq * POLL_S, reference_ph=reference_ph, kind=CheckKind.SPOT), id=seq)
    return ask(seq, CommandKind.CHECK, check=made)


def watched(rows: Block, *commands: Command, watch_: Watch = WATCH) -> tuple[WatchState, Outcome]:
    """Return the watch after the rows, and what became of them."""
    return pipeline.step(watch_, pipeline.fresh(watch_), rows, commands=[calibrate(), *commands])


def gone(hours: float = 2.0, *, to_ph: float = 5.3) -> list[float]:
    """Return four hours of a vat at 4.5, and hours of something else."""
    return [4.5] * (4 * HOUR) + [to_ph] * round(hours * HOUR)


def annunciated(entries: Sequence[Entry], alarm: str) -> list[Entry]:
    return [entry for entry in entries if entry.alarm == alarm and entry.annunciates]


def test_a_loss_is_one_high_alarm_and_what_is_read_from_then_on_is_not_believed() -> None:
    state, outcome = watched(readings(gone()))
    (told,) = annunciated(outcome.entries, "trust-lost")
    assert told.priority == "high"
    assert "jumped from 4.50 to 5.30" in told.text
    loss = state.carry.trust.loss
    assert loss is not None
    assert abs(loss.since_us / 1e6 - 4 * 3600) <= 300
    rows = outcome.measurements
    lost = rows.tests & QualityTests.JUMPED != 0
    first = int(np.flatnonzero(lost)[0])
    assert lost[first:].all()
    assert (rows.elapsed_us[first] / 1e6 - 4 * 3600) <= 900  # two windows, and the record that closes the second
    assert (rows.belief[first:] == Belief.NOT_BELIEVED).all()
    assert (rows.belief[: 4 * HOUR] == Belief.BELIEVED).all()
    assert state.carry.trust.level is TrustLevel.LOST


def test_60_hours_alone_earn_nothing_back() -> None:
    state, outcome = watched(readings(gone(60.0)))
    assert state.carry.trust.level is TrustLevel.LOST
    assert Belief.BELIEVED not in outcome.measurements.belief[-59 * HOUR :]


def test_a_spot_check_that_passes_earns_trust_back() -> None:
    state, outcome = watched(readings(gone()), spot(5 * HOUR, 5.3, 0.01))
    assert [(answer.command, answer.applied) for answer in outcome.answers] == [(1, True), (1000 + 5 * HOUR, True)]
    assert (state.carry.trust.level, state.carry.trust.earned_by) == (TrustLevel.EARNED, EarnedBy.CHECK)
    assert outcome.measurements.belief[5 * HOUR + 30] == Belief.BELIEVED


def test_a_spot_check_that_fails_is_refused_and_changes_nothing_but_the_journal() -> None:
    rows = readings(gone())
    state, outcome = watched(rows, spot(5 * HOUR, 4.6, 0.7))
    silent, without = watched(rows)
    assert [answer.applied for answer in outcome.answers] == [True, False]
    assert "so trust in the probe stays lost" in outcome.answers[1].text
    assert state.carry == silent.carry
    (more,) = [entry for entry in outcome.entries if entry not in without.entries]
    assert (more.cause, more.seq) == (Cause.REFUSED, 5 * HOUR)
    np.testing.assert_array_equal(outcome.measurements.belief, without.measurements.belief)


def test_a_buffer_check_that_passes_does_not_say_that_the_probe_is_back() -> None:
    made = replace(check(0.01, at_s=5 * HOUR * POLL_S), id=9)
    state, _ = watched(readings(gone()), ask(5 * HOUR, CommandKind.CHECK, check=made))
    assert state.carry.trust.level is TrustLevel.LOST


@pytest.mark.parametrize(("ph", "level"), [(4.52, TrustLevel.EARNED), (5.3, TrustLevel.LOST)])
def test_the_word_that_it_is_back_counts_if_the_reading_bears_it_out(ph: float, level: TrustLevel) -> None:
    state, _ = watched(readings([*gone(), *[ph] * HOUR]), mark(6 * HOUR + 1, Mark.PROBE_IN))
    assert state.carry.trust.level is level
    if state.carry.trust.loss is not None:
        assert state.carry.trust.loss.cause is TrustCause.NOT_BORNE_OUT


def test_a_batch_that_starts_begins_anew() -> None:
    # A new mash at 6.2 after one at 4.5: no jump, and trust that was lost is earned.
    for before in ([4.5] * (6 * HOUR), gone()):
        state, _ = watched(readings([*before, *[6.2] * (6 * HOUR)]), mark(len(before) + 1, Mark.STARTED))
        assert (state.carry.trust.level, state.carry.trust.losses_us != ()) == (TrustLevel.EARNED, before == gone())


def after_a_gap(before: Sequence[float], gap_h: float, after: Sequence[float]) -> Block:
    """Return readings, a gap, and readings."""
    start_s = len(before) * POLL_S + gap_h * 3600.0
    early, late = readings(before), readings(after, seed=2, first=len(before) + 1, start_s=start_s)
    return Block(
        **{one.name: np.concatenate([getattr(early, one.name), getattr(late, one.name)]) for one in fields(Block)}
    )


@pytest.mark.parametrize("gap_h", [1.0, 8.0, 24.0])
@pytest.mark.parametrize("per_hour", [0.0, 0.03, 0.06])
def test_a_healthy_vat_that_was_not_watched_for_hours_loses_nothing(gap_h: float, per_hour: float) -> None:
    fall = per_hour * POLL_S / 3600.0
    before = (5.2 - fall * np.arange(6 * HOUR)).tolist()
    after = (before[-1] - per_hour * gap_h - fall * np.arange(6 * HOUR)).tolist()
    state, outcome = watched(after_a_gap(before, gap_h, after))
    assert annunciated(outcome.entries, "trust-lost") == []
    assert state.carry.trust.losses_us == ()


def test_another_reading_after_eight_hours_unwatched_is_lost_where_no_vat_goes_there() -> None:
    # A vat may fall by 0.15 pH an hour: from 5.2 to a pH 4.01 buffer in eight hours is within, from 5.6 is not.
    for ph, is_lost in ((5.2, False), (5.6, True)):
        state, outcome = watched(after_a_gap([ph] * (6 * HOUR), 8.0, [4.01] * (2 * HOUR)))
        assert (state.carry.trust.loss is not None) is is_lost
        # What the reading cannot tell is asked for.
        assert Cause.AFTER_GAP in [entry.cause for entry in outcome.entries]


@pytest.mark.parametrize(("poll_s", "within_min"), [(1.0, 15.0), (10.0, 15.0), (60.0, 45.0)])
def test_an_offset_of_25_millivolts_is_told_after_two_windows_at_the_latest(poll_s: float, within_min: float) -> None:
    # A window is never shorter than 15 readings: at a poll of 60 s it lasts 15 minutes, not 5.
    per_hour = round(3600 / poll_s)
    rows = readings([5.2] * (4 * per_hour), poll_s=poll_s)
    moved = replace(rows, potential_mv=rows.potential_mv + 25.0 * (np.arange(len(rows)) >= 3 * per_hour))
    _, outcome = watched(moved, watch_=watch(LOST, poll_s=poll_s))
    (told,) = annunciated(outcome.entries, "trust-lost")
    delay_min = (told.seq - 1 - 3 * per_hour) * poll_s / 60.0
    assert 0.0 < delay_min <= within_min


def with_second(rows: Block, ph: Sequence[float]) -> Block:
    """Return the rows with what a second probe reads."""
    return replace(rows, reference_ph=np.array(ph), reference_u=np.full(len(rows), 0.03))


def test_an_hour_in_which_the_second_probe_agrees_earns_trust_back() -> None:
    ph = gone(4.0)
    state, _ = watched(with_second(readings(ph), ph))
    assert (state.carry.trust.level, state.carry.trust.earned_by) == (TrustLevel.EARNED, EarnedBy.SECOND_PROBE)
    state, _ = watched(with_second(readings(ph), [4.5] * len(ph)))
    assert state.carry.trust.level is TrustLevel.LOST


def test_while_trust_is_lost_process_alarms_judge_the_second_probe_and_say_so() -> None:
    # The first jumped to 5.3, beyond the limit; the second stays in the vat, and three hours later rises by itself.
    ph = gone(6.0)
    calm, rising = [4.5] * len(ph), [4.5] * (7 * HOUR) + [5.4] * (3 * HOUR)
    _, outcome = watched(with_second(readings(ph), calm))
    assert annunciated(outcome.entries, "ph-high") == []
    _, outcome = watched(with_second(readings([4.5] * (4 * HOUR) + [4.0] * (6 * HOUR)), rising))
    (told,) = annunciated(outcome.entries, "ph-high")
    assert told.seq > 7 * HOUR
    assert "Judged by the second probe in the vat, for trust in the first is lost" in told.text


def test_while_trust_is_lost_a_reading_beyond_a_limit_annunciates_once_not_confirmed_and_does_not_clear() -> None:
    _, outcome = watched(readings([*gone(6.0), *[4.5] * 60]))
    (told,) = annunciated(outcome.entries, "ph-high")
    assert told.text.endswith("Not confirmed: trust in the probe is lost, so look at the vat itself")
    assert told.probability is None  # of what may not be the vat's
    state, outcome = watched(readings([*gone(6.0), *[4.2] * (6 * HOUR)]))
    assert len(annunciated(outcome.entries, "ph-high")) == 1
    assert state.carry.alarms["ph-high"].shown is State.UNACKNOWLEDGED


def test_an_alarm_that_stands_does_not_clear_by_what_a_lost_probe_reads() -> None:
    # The vat stands at 5.4; then the probe is in a glass that reads 4.0: trust is lost after a quarter of an hour.
    patient = replace(WATCH, vat=replace(WATCH.vat, alarms=(replace(HIGH, off_delay_s=1200.0), LOST)))
    state, outcome = watched(readings([5.4] * (4 * HOUR) + [4.0] * (6 * HOUR)), watch_=patient)
    assert len(annunciated(outcome.entries, "ph-high")) == 1
    assert state.carry.trust.level is TrustLevel.LOST
    assert state.carry.alarms["ph-high"].shown is State.UNACKNOWLEDGED


def test_nothing_is_annunciated_by_ph_alarms_while_the_probe_is_not_back() -> None:
    # It stands in a buffer of 9.18, and nobody said that it is back.
    rows = readings([4.5] * (4 * HOUR) + [9.18] * (6 * HOUR))
    out = mark(4 * HOUR - 5, Mark.PROBE_OUT, duration_s=900.0)
    state, outcome = watched(rows, out)
    assert annunciated(outcome.entries, "ph-high") == []
    assert state.carry.suppression.not_back_us is not None


def test_what_a_lost_probe_cannot_support_is_no_claim() -> None:
    # The second probe judges alarms; that its vat is at the target it never says for the first.
    target = TargetConfig(ph=4.6, window_s=300.0, windows=3)
    watched_ = replace(WATCH, vat=replace(WATCH.vat, target=target))
    ph = [5.2] * (4 * HOUR) + [4.2] * (6 * HOUR)
    state, outcome = watched(with_second(readings(ph), [4.2 + 0.5] * len(ph)), watch_=watched_)
    assert state.carry.trust.level is TrustLevel.LOST
    assert Cause.MEASURED_AT_TARGET not in [entry.cause for entry in outcome.entries]


def test_what_is_carried_of_trust_is_bounded_after_three_days() -> None:
    sizes = []
    for days in (1, 3):
        rng = np.random.default_rng(days)
        ph = 4.5 + 0.2 * np.sin(np.arange(days * 24 * HOUR) / HOUR)
        rows = readings(ph.tolist())
        warm = 20.0 + rng.normal(0, 0.1, len(rows)).round(1)
        mv = np.array([millivolts(*each) for each in zip(ph, warm, strict=True)]) + rng.normal(0, 0.2, len(rows))
        trust = watched(replace(rows, potential_mv=mv.round(1), temperature_c=warm))[0].carry.trust
        sizes.append(
            {
                "windows": len(trust.windows),
                "hours": len(trust.swings_c),
                "periods": len(trust.potential.usual),
                "periods of the temperature": len(trust.temperature.usual),
                "newest": len(trust.potential.newest),
                "losses": len(trust.losses_us),
            }
        )
    assert sizes[1] == {
        "windows": 21,
        "hours": 24,
        "periods": 48,
        "periods of the temperature": 48,
        "newest": 3,
        "losses": 0,
    }
    assert all(sizes[0][name] <= most for name, most in sizes[1].items())
