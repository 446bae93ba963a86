"""Decide whether each record is believed, and since when for the same reason.

Law: the belief is the very one that process alarms go by (`windows.ph_belief`), so what is shown and what is done
never differ. A verdict begins at the first record of its belief and leading reason and is carried from block to block,
so it does not depend on where blocks were cut. The sentence is made of what is stored here: `alarm/belief_words.py`.

Each record keeps its belief, since when, and the ids of what it rests on (four small columns), from which the sentence
of any past record is made again; stored sentences would be a second log to keep in step. A check that was off does not
lower the belief: its offset counts as uncertainty, and the sentence says so.
"""

from dataclasses import dataclass

import numpy as np

from logger.measure.windows import AWAY, belief_of
from logger.model import LEADING, Belief, BeliefSince, Floats, Ints, QualityTests, Reason

_REASONS, _BELIEFS = 100, 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Beliefs:
    """Columns, a row a record, and what is carried on."""

    belief: Ints
    since_at_us: Ints
    stance: BeliefSince


def judge(before: BeliefSince | None, *, at_us: Ints, ph: Floats, quality: Ints, tests: Ints, reason: Ints) -> Beliefs:
    """Return the verdict on each record; `before`: that on the record before them."""
    belief = belief_of(ph, quality, tests)
    code = _codes(belief, tests, reason)
    old = before or BeliefSince(code=-1, since_at_us=0)
    turns = np.diff(code, prepend=old.code) != 0
    latest = np.maximum.accumulate(np.where(turns, np.arange(len(code)), -1))
    since = np.where(latest < 0, old.since_at_us, at_us[np.maximum(latest, 0)])
    return Beliefs(belief=belief, since_at_us=since, stance=BeliefSince(code=int(code[-1]), since_at_us=int(since[-1])))


def leading(stance: BeliefSince | None) -> QualityTests:
    """Return the test that the newest verdict names; NONE: it names none."""
    rank = 0 if stance is None else stance.code % _BELIEFS
    return LEADING[rank - 1] if 0 < rank <= len(LEADING) else QualityTests.NONE


def _codes(belief: Ints, tests: Ints, reason: Ints) -> Ints:
    """Return belief and leading reason as one number; a believed record needs no reason."""
    lead = np.zeros(len(belief), dtype=np.int64)
    for rank, test in reversed(list(enumerate(LEADING, start=1))):
        lead[(tests & test) != 0] = rank
    absent = (reason != Reason.NONE) & ((tests & AWAY) == 0)  # who works on the probe knows why nothing arrives
    lead[absent] = _REASONS + reason[absent]
    lead[belief == Belief.BELIEVED] = 0
    return belief * _BELIEFS + lead
