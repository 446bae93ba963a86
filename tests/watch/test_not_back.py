"""Work on a probe that ended without the word that it is back: held, and told, until somebody gives that word."""

import numpy as np
import pytest

from logger.alarm.suppression import HELD
from logger.config import AlarmKind, TargetConfig, default_alarm
from logger.model import Belief, Cause, Command, CommandKind, Entry, Mark, Outcome, State, WatchState
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.trust_words import ON_A_WORD, ON_A_WORD_ALONE
from tests.series import EPOCH_US, calibrate, carry_over, of_ph, raw_alarm, restored, watch

TRUST = default_alarm(AlarmKind.TRUST_LOST)
BLIND = default_alarm(AlarmKind.BLIND)
LOW = raw_alarm(AlarmKind.PH_LOW, 4.2, on_delay_s=60.0)
WARM = raw_alarm(AlarmKind.TEMPERATURE_HIGH, 24.0)
WATCH = watch(TRUST, BLIND, LOW, WARM)
TARGET = TargetConfig(window_s=60.0, windows=3)
WITH_TARGET = replace(WATCH, vat=replace(WATCH.vat, target=TARGET))
BREAK_OFF = CommandKind.BREAK_OFF


def ask(seq: int, kind: CommandKind, **more: object) -> Command:
    return Command(id=100 + seq, at_us=EPOCH_US, kind=kind, vat="vat", by="tova", seq=seq, **more)  # type: ignore[arg-type]


def mark(seq: int, what: Mark, **more: object) -> Command:
    return ask(seq, CommandKind.MARK, note=what, **more)


LEFT = {
    "the mark ran out": [mark(11, Mark.PROBE_OUT, duration_s=100.0)],
    "the time ran out": [ask(11, CommandKind.ATTEND, duration_s=100.0)],
    "broken off": [ask(11, CommandKind.ATTEND, duration_s=900.0), ask(21, BREAK_OFF)],
}
WORDS = {"mark": mark(801, Mark.PROBE_IN), "leave": ask(801, CommandKind.LEAVE)}


def in_a_buffer(*commands: Command, n: int = 900) -> tuple[WatchState, list[Entry], Outcome]:
    """Carry a watch over a vat at pH 4.9; from record 12 on the probe stands in a warm buffer of pH 4.0."""
    ph = np.array([4.9] * 11 + [4.0] * (n - 11)) + np.random.default_rng(5).normal(0, 0.003, n)
    rows = of_ph(ph.tolist(), temperature_c=25.0)
    state, (outcome,) = carry_over(WITH_TARGET, rows, commands=[calibrate(), *commands])
    return state, list(outcome.entries), outcome


@pytest.mark.parametrize("left", LEFT.values(), ids=LEFT)
@pytest.mark.parametrize("word", WORDS.values(), ids=WORDS)
def test_nothing_is_believed_claimed_or_judged_until_somebody_says_that_it_is_back(
    left: list[Command], word: Command
) -> None:
    state, entries, outcome = in_a_buffer(*left, word)
    held = [entry for entry in entries if 21 <= entry.seq < 801]
    assert [(e.alarm, e.seq, e.priority) for e in held if e.annunciates] == [("trust-lost", 21, "high")]
    assert [e.seq for e in held if e.cause is Cause.REMINDER] == [201, 381, 561, 741]  # every 30 min
    assert {e.priority for e in held if e.cause is Cause.REMINDER} == {"high"}
    assert not [e for e in held if e.cause in (Cause.READING_AT_TARGET, Cause.MEASURED_AT_TARGET)]
    assert {e.text for e in held if e.cause is Cause.UNSUPPRESSED} <= {HELD}
    assert (outcome.measurements.belief[20:800] == Belief.NOT_BELIEVED).all()
    # Then it is judged anew, by its delays: the word was wrong, the probe is still in the buffer.
    after = [entry for entry in entries if entry.seq >= 801]
    assert [(e.seq, e.text) for e in after if e.alarm == "trust-lost"] == [(801, ON_A_WORD_ALONE)]
    assert [(e.alarm, e.seq) for e in after if e.annunciates] == [("temperature-high", 801), ("ph-low", 807)]
    assert state.carry.suppression.is_away is False
    assert state.carry.alarms["trust-lost"].shown is State.RETURNED
    assert outcome.measurements.belief[800] == Belief.BELIEVED


def test_the_alarm_says_what_happened_and_what_to_do() -> None:
    _, entries, _ = in_a_buffer(*LEFT["broken off"], n=30)
    (left,) = [entry for entry in entries if entry.cause is Cause.LEFT]
    assert (
        left.text
        == "the work on the probe was broken off and nobody said that it is back: the alarms stay held until then"
    )
    (loud,) = [entry for entry in entries if entry.alarm == "trust-lost"]
    assert loud.text == (
        "Work on the probe is over and nobody said that it is back. Look whether it is in the vat, then say so:"
        " `vatvigil mark VAT probe-in`, or the mark at the hub. Until then nothing it reads is believed or claimed, and"
        " pH and temperature alarms are held"
    )
    assert loud.told is not None
    first, second, third = loud.told.lines
    assert first == "Vat: nobody said that the probe is back in the vat since 18:03 UTC. Its alarms are held."
    assert second.startswith("Not believed: nobody said that the probe is back in the vat. Last believed pH 4.90")
    assert third == (
        "First look whether it stands in the vat, then say so: `vatvigil mark vat probe-in`, or the mark at the hub."
        " Nothing else ends this."
    )


def test_a_word_that_the_reading_does_not_bear_out_is_found_out_within_20_minutes_and_nothing_claimed_on_it() -> None:
    ph = np.array([4.9] * 121 + [4.0] * 400) + np.random.default_rng(5).normal(0, 0.003, 521)
    commands = [calibrate(), mark(122, Mark.PROBE_OUT, duration_s=100.0), mark(301, Mark.PROBE_IN)]
    _, (outcome,) = carry_over(WITH_TARGET, of_ph(ph.tolist(), temperature_c=20.0), commands=commands)
    told = [entry for entry in outcome.entries if entry.alarm == "trust-lost" and entry.cause is not Cause.REMINDER]
    assert [(e.seq, e.cause) for e in told] == [(132, "annunciated"), (301, "returned"), (told[-1].seq, "annunciated")]
    assert told[1].text == ON_A_WORD
    assert told[-1].seq < 301 + 120
    assert (
        "the probe was said to be back in the vat, and reads 4.00 where the vat was at 4.90: it is what a buffer of pH"
        " 4.00 reads" in told[-1].text
    )
    assert (outcome.measurements.belief[told[-1].seq - 1 :] == Belief.NOT_BELIEVED).all()
    assert Cause.MEASURED_AT_TARGET not in {entry.cause for entry in outcome.entries}


def test_trust_that_was_lost_before_and_acknowledged_is_told_anew() -> None:
    rows = of_ph([4.9] * 121 + [4.0] * 279)
    commands = [calibrate(), ask(300, CommandKind.ACKNOWLEDGE, alarm="trust-lost"), ask(320, BREAK_OFF)]
    _, (outcome,) = carry_over(watch(TRUST), rows, commands=commands)
    loud = [(e.seq < 300, e.occurrence, e.text.split(".")[0].split(":")[0]) for e in outcome.entries if e.annunciates]
    assert loud == [
        (True, 1, "Trust in the probe is lost"),
        (False, 2, "Work on the probe is over and nobody said that it is back"),
    ]


def test_a_missing_reading_does_not_keep_it_from_being_told_and_a_restart_does_not_end_it() -> None:
    rows = of_ph([4.5] * 10 + [None] * 10 + [4.5] * 10)
    first, outcome = pipeline.step(WATCH, pipeline.fresh(WATCH), rows[:15], commands=[calibrate(), ask(12, BREAK_OFF)])
    assert [(e.alarm, e.seq) for e in outcome.entries if e.annunciates] == [("trust-lost", 12)]
    again = replace(first, carry=restored(first.carry))
    assert again.carry == first.carry
    _, outcome = pipeline.step(WATCH, again, rows[15:])
    assert (outcome.measurements.belief == Belief.NOT_BELIEVED).all()
    assert [entry.cause for entry in outcome.entries] == []


def test_a_sitting_that_ends_with_the_word_ends_the_hold_and_one_that_does_not_leaves_it() -> None:
    attend = ask(30, CommandKind.ATTEND, duration_s=900.0)
    for end, is_away in ((ask(40, CommandKind.LEAVE), False), (ask(40, BREAK_OFF), True)):
        state, entries, _ = in_a_buffer(ask(21, BREAK_OFF), attend, end, n=45)
        assert state.carry.suppression.is_away is is_away
        assert [e.seq for e in entries if e.alarm == "trust-lost" and e.annunciates] == [21]


def test_a_mark_that_goes_on_tells_where_the_probe_is() -> None:
    out = mark(5, Mark.PROBE_OUT, duration_s=1000.0)
    state, entries, _ = in_a_buffer(out, ask(8, CommandKind.ATTEND, duration_s=100.0), ask(12, BREAK_OFF), n=60)
    assert (state.carry.suppression.not_back_us, state.carry.suppression.is_away) == (None, True)
    assert [e for e in entries if e.annunciates and e.seq > 5] == []
