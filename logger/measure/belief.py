"""Decide whether each record is believed, and since when for the same reason.

Law: the belief is the very one that process alarms go by (`windows.ph_belief`), so what is shown and what is done
never differ. A verdict begins at the first record of its belief and leading reason and is carried from block to block,
so it does not depend on where blocks were cut. The sentence is made of what is stored here: `alarm/belief_words.py`.

Each record keeps its belief, since when, and the ids of what it rests on (four small columns), from which the sentence
of any past record is made again; stored sentences would be a second log to keep in step. A check that was off does not
lower the belief: its offset counts as uncertainty, and the sentence says so.
"""

from typing import TypeVar

import numpy as np

from logger.measure.windows import AWAY, belief_of
from logger.model import LEADING, Belief, BeliefSince, Ints, QualityTests, Reason, Value
from logger.model.elementwise import anywhere, column, is_column
from logger.structs import Struct

Number = TypeVar("Number", int, Ints)


class Beliefs(Struct, frozen=True, kw_only=True):
    """Columns, a row a record (or numbers of one), and what is carried on."""

    belief: Value
    since_at_us: Value
    newest: BeliefSince


def judge(
    before: BeliefSince | None, *, at_us: Value, ph: Value, quality: Value, tests: Value, reason: Value
) -> Beliefs:
    """Return the belief in each record; `before`: that in the record before them."""
    belief = belief_of(ph, quality, tests)
    if before is not None and before.belief is Belief.BELIEVED and not anywhere(belief):  # nearly always
        since = np.full(len(belief), before.since_at_us) if is_column(belief) else before.since_at_us
        return Beliefs(belief=belief, since_at_us=since, newest=before)
    at_us, belief, tests, reason = (column(each) for each in (at_us, belief, tests, reason))
    test, why = _leading(belief, tests, reason)
    code = _code(belief, test, why)
    old = -1 if before is None else _code(int(before.belief), int(before.test), int(before.reason))
    turns = np.diff(code, prepend=old) != 0
    latest = np.maximum.accumulate(np.where(turns, np.arange(len(code)), -1))
    since = np.where(latest < 0, before.since_at_us if before else 0, at_us[np.maximum(latest, 0)])
    newest = BeliefSince(
        belief=Belief(belief[-1]), test=QualityTests(test[-1]), reason=Reason(why[-1]), since_at_us=int(since[-1])
    )
    return Beliefs(belief=belief, since_at_us=since, newest=newest)


def _leading(belief: Ints, tests: Ints, reason: Ints) -> tuple[Ints, Ints]:
    """Return the leading test of each record, or else why there is no reading; a believed record needs neither."""
    test, doubted = np.zeros(len(belief), dtype=np.int64), belief != int(Belief.BELIEVED)
    if not np.count_nonzero(doubted):
        return test, test
    for one in map(int, reversed(LEADING)):
        test[(tests & one) != 0] = one
    absent = (reason != int(Reason.NONE)) & ((tests & AWAY) == 0)  # who works on the probe knows why nothing arrives
    return np.where(doubted & ~absent, test, 0), np.where(doubted & absent, reason, 0)


def _code(belief: Number, test: Number, reason: Number) -> Number:
    """Return belief and leading reason as one number, to compare neighbours by."""
    return belief + 4 * reason + 64 * test
