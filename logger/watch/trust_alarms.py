"""Add to the alarms on trust what trust was lost or is doubted by, as it was known at their record.

Law: pure. One cause, one alarm: its text grows with what the reading becomes, in its reminders too.
"""

from collections.abc import Sequence

import numpy as np

from logger.config import AlarmConfig, AlarmKind, VatConfig
from logger.model import Calibration, Carry, Cause, Entry, Ints, QualityTests, TrustState
from logger.structs import Struct, replace
from logger.watch import trust_words
from logger.watch.trust_words import Clock


class TrustCourse(Struct, frozen=True, kw_only=True):
    """The trust over the rows of a piece: what was carried into it, and each new state at its row."""

    before: TrustState
    turns: Sequence[tuple[int, TrustState]]
    line: Calibration | None
    tests: Ints
    clock: Clock

    def at(self, row: int) -> TrustState:
        """Return the trust at a row."""
        rows = [at for at, _ in self.turns]
        place = int(np.searchsorted(rows, row, side="right"))
        return self.turns[place - 1][1] if place else self.before

    def why(self, row: int, clock: Clock | None = None) -> str:
        """Say what trust was lost by at a row, in one clause; empty: it was not, or another alarm's text tells it."""
        state = self.at(row)
        is_away = QualityTests(int(self.tests[row])) & (QualityTests.ATTENDED | QualityTests.NOT_BACK)
        return "" if is_away or state.loss is None else trust_words.lost(state.loss, self.line, clock or self.clock)


def course_of(vat: VatConfig, carry: Carry, turns: Sequence[tuple[int, TrustState]], tests: Ints) -> TrustCourse:
    """Return the trust over the rows of a piece."""
    clock = trust_words.clock_of(vat.people)
    return TrustCourse(before=carry.trust, turns=turns, line=carry.electrode.calibration, tests=tests, clock=clock)


def with_why(alarm: AlarmConfig, entry: Entry, course: TrustCourse, row: int) -> Entry:
    """Say of an alarm on trust what it was lost, is doubted or was earned back by; of another alarm nothing."""
    if alarm.kind not in (AlarmKind.TRUST_LOST, AlarmKind.TRUST_DOUBTED):
        return entry
    if entry.cause is Cause.RETURNED:
        return replace(entry, text=_how_back(alarm, course.at(row)) or entry.text)
    if entry.cause not in _TOLD:
        return entry
    state, why = course.at(row), ""
    if alarm.kind is AlarmKind.TRUST_DOUBTED and state.doubt is not None:
        why = trust_words.doubted(state.doubt, course.clock)
    elif alarm.kind is AlarmKind.TRUST_LOST and course.why(row):
        why = f"{course.why(row)}. {trust_words.HOW_BACK}"
    return replace(entry, text=f"{entry.text}: {why}") if why else entry


def _how_back(alarm: AlarmConfig, state: TrustState) -> str:
    lost = alarm.kind is AlarmKind.TRUST_LOST
    return trust_words.earned_back(state) if lost else trust_words.doubted_no_more(state)


_TOLD = (Cause.ANNUNCIATED, Cause.REMINDER, Cause.RAISED, Cause.REALARM, Cause.SHELF_EXPIRED, Cause.UNSHELVED)
