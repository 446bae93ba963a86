"""What is told of the trust in a probe: how far it goes, why no further, and by what it was earned back."""

import numpy as np

from logger.config import AlarmKind, default_alarm
from logger.model import (
    Carry,
    Cause,
    CheckKind,
    Command,
    CommandKind,
    Entry,
    Mark,
    Outcome,
    QualityTests,
    TrustLevel,
)
from logger.structs import replace
from logger.watch import trust_words
from tests.series import EPOCH_US, calibrate, carry_over, check, of_ph, watch

TRUST, DOUBT = default_alarm(AlarmKind.TRUST_LOST), default_alarm(AlarmKind.TRUST_DOUBTED)
HOUR = 360
"""Records of an hour."""


def asked(kind: CommandKind, seq: int, **more: object) -> Command:
    return Command(id=seq, at_us=EPOCH_US, kind=kind, vat="vat", probe="probe", seq=seq, **more)  # type: ignore[arg-type]


def jumped(*commands: Command, back_after: int = 3 * HOUR, n: int = 4 * HOUR) -> tuple[Carry, list[Entry], Outcome]:
    """Carry a watch over an hour at pH 4.9, then 5.6, and 4.9 again from `back_after` on."""
    ph = np.full(n, 5.6)
    ph[:HOUR] = ph[back_after:] = 4.9
    rows = of_ph((ph + np.random.default_rng(5).normal(0, 0.003, n)).tolist())
    state, (outcome,) = carry_over(watch(TRUST, DOUBT), rows, commands=[calibrate(), *commands])
    return state.carry, [e for e in outcome.entries if e.alarm == TRUST.id and e.cause is not Cause.REMINDER], outcome


def test_a_probe_that_nothing_speaks_against_is_earned_and_was_never_lost() -> None:
    carry, entries, _ = jumped(n=HOUR)
    shown = trust_words.shown(carry)
    assert entries == []
    assert (shown.level, shown.since_at_us) == (TrustLevel.EARNED, None)
    assert shown.sentence == shown.steady == "Earned: nothing speaks against the probe"
    early = trust_words.shown(jumped(n=10)[0])
    assert early.sentence == "Earned: watched for too short a time to tell more"


def test_a_jump_is_told_with_what_it_reads_and_steadily_without() -> None:
    carry, (lost,), _ = jumped(n=2 * HOUR)
    shown = trust_words.shown(carry)
    assert shown.level is TrustLevel.LOST
    assert shown.sentence.startswith("Lost: the reading jumped from 4.90 to 5.60 at 19:00 UTC")
    assert shown.steady.startswith("Lost: the reading jumped away from 4.90 at 19:00 UTC")
    assert lost.text.startswith("Trust in the probe is lost: the reading jumped from 4.90 to 5.60 at 19:00 UTC")
    later = trust_words.shown(jumped(n=2 * HOUR + 200)[0])
    assert (later.steady, later.since_at_us) == (shown.steady, shown.since_at_us)


def test_the_journal_says_by_what_trust_was_earned_back() -> None:
    spot = replace(check(-0.01, at_s=5400.0, reference_ph=5.6, kind=CheckKind.SPOT), id=8)
    ways = {
        "another instrument beside it agreed": [asked(CommandKind.CHECK, 2 * HOUR, check=spot)],
        "its reading is back where the vat was and stayed there": [],
        "a batch was started": [asked(CommandKind.MARK, 2 * HOUR, note=Mark.STARTED)],
    }
    for how, commands in ways.items():
        carry, entries, _ = jumped(*commands, n=5 * HOUR) if not commands else jumped(*commands, n=2 * HOUR + 120)
        assert [(e.cause, e.text) for e in entries[1:]] == [
            (Cause.RETURNED, f"{how}, so the probe is trusted again")
        ], how
        shown = trust_words.shown(carry)
        assert shown.level is TrustLevel.EARNED
        assert shown.since_at_us is not None
        assert shown.sentence == f"Earned: {how}, and nothing speaks against the probe"


def test_a_word_that_the_reading_bears_out_earns_trust_back_and_is_told_so() -> None:
    out = asked(CommandKind.MARK, HOUR + 150, note=Mark.PROBE_OUT, duration_s=7200.0)
    back = asked(CommandKind.MARK, 2 * HOUR, note=Mark.PROBE_IN)
    carry, entries, _ = jumped(out, back, back_after=2 * HOUR - 10, n=2 * HOUR + 200)
    assert [(e.cause, e.text) for e in entries[1:]] == [
        (Cause.RETURNED, "its reading goes on where the vat was, so the probe is trusted again")
    ]
    assert trust_words.shown(carry).sentence == (
        "Earned: its reading goes on where the vat was, and nothing speaks against the probe"
    )


def test_a_probe_in_hands_is_not_judged_and_one_that_nobody_said_to_be_back_is_lost() -> None:
    out = asked(CommandKind.MARK, 200, note=Mark.PROBE_OUT, duration_s=100.0)
    held = trust_words.shown(jumped(out, n=205)[0])
    assert (held.level, held.sentence) == (
        TrustLevel.EARNED,
        "Earned so far: nothing is judged while somebody works on the probe or has it out",
    )
    carry, _, outcome = jumped(out, n=230)
    left = trust_words.shown(carry)
    assert left.level is TrustLevel.LOST
    assert left.sentence.startswith("Lost: nobody said that the probe is back in the vat.")
    first = int(np.flatnonzero(outcome.measurements.tests & QualityTests.NOT_BACK)[0])
    assert left.since_at_us == outcome.measurements.at_us[first]
