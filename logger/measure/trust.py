"""Follow the trust in a probe: earned, doubted, lost with a cause, and earned back.

Law: pure; trust changes only at a closed window or by a person's word, from what is carried and windows in their order,
so nothing depends on where blocks were cut. Silence earns nothing back: no time, no mark that runs out, no quietness.

Lost is trust by what a vat cannot make: a jump of the level (`continuity.py`), an instrument that shows far fewer
values than usual (`liveness.py`), a loose contact (`plausibility.py`), or a word that the reading does not bear out. A
step of the temperature alone is doubt: a cold top-up makes one too, and so does a heated vat. Doubt holds claims and no
alarm. A potential that is noisier from then on makes it a loss: the probe hangs in air.

It is earned back by a check after the event (`trust_events.py`), by a second probe that agrees for an hour, or by
physics: what left by a step comes back by a step in the opposite sense, into the course before, and stays for an hour,
temperature included. 'Back in the course' alone is too little: a falling vat carries a shifted reading through it by
itself. After each further loss within a day it must stay four times as long. Limits: a trial on simulated vats.
"""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from statistics import median
from typing import NamedTuple

import numpy as np

from logger.measure import continuity, liveness, plausibility, trust_windows
from logger.measure.continuity import Innovations
from logger.measure.liveness import Periods, VarietyCourse
from logger.measure.trust_windows import ClosedWindows
from logger.model import (
    Calibration,
    Doubt,
    EarnedBy,
    Floats,
    Level,
    Loss,
    QualityTests,
    TrustCause,
    TrustState,
)
from logger.structs import Struct, replace
from logger.units import DAY_US, HOUR_US

YOUNG_US = 3 * HOUR_US
"""So long a course is young."""
STEP_BACK = 0.6
"""So much of a jump must come back by a step."""
LASTS = 5
"""Windows in a row that must lie off the course, or as many as show a jump: a cushion of gas lies on a bulb for up to
20 minutes, four windows."""
AT_ONCE = 1.4
"""But not where a level is off by so many times the limit."""
DOUBT_LASTS_US = 12 * HOUR_US
UNSETTLED_PH, UNSETTLED_C = 0.35, 6.0
"""Steps that stirring or topping up may make, until half an hour after the vat has settled."""
BACK_PH, BACK_PH_PER_H, BACK_MOST_PH = 0.12, 0.01, 0.25
"""So near the course before is back in it: more for each hour, up to a most."""
BACK_C = 1.2
BACK_US = HOUR_US
"""So long it must stay there."""
LONGER = 4
"""So many times as long after each further loss within a day."""
AGREES_US = HOUR_US
COARSE_MV = 0.5
"""On a display with steps of this a still vat shows one value for hours: a flat line says nothing there."""
GROWS_US = HOUR_US // 2
"""So long the size of a jump is followed."""
UNSETTLED_US = HOUR_US // 2
"""So long after a vat has settled its windows are still compared with those from before."""


class Around(Struct, frozen=True, kw_only=True):
    """What is the same for all rows of a piece."""

    line: Calibration | None
    length_us: int
    unsettled_us: tuple[int, int] | None
    """From when to when (watch time) the vat is stirred or topped up; None: it is not."""
    resolution_mv: float = 0.0
    """The smallest step in which the instrument tells its potential, as configured."""


class _Time(NamedTuple):
    """A moment on the watch time and in UTC."""

    elapsed_us: int
    at_us: int


@dataclass(slots=True)
class TrustRun:
    """The trust on its way through one piece of a block. Results: `state`, and `turns`, each new state at its row."""

    around: Around
    state: TrustState
    turns: list[tuple[int, TrustState]] = field(default_factory=list)
    windows: ClosedWindows = field(init=False)
    course: Innovations = field(init=False)
    loose: Floats = field(init=False)
    scatter: Floats = field(init=False)
    suspicious: list[int] = field(init=False)
    """Windows in which something may be wrong, and the end of all."""
    potential: VarietyCourse = field(init=False)
    temperature: VarietyCourse = field(init=False)
    taken: int = 0
    """How many of the windows were taken."""
    heard: tuple[int, int] = (0, 0)
    """How many periods of potential and temperature are in the state."""

    def follow(self, closed: ClosedWindows, potential: Periods, temperature: Periods) -> None:
        """Take closed windows and periods in the order of their rows; at one row the period comes first."""
        carried = len(self.state.windows)
        closed = trust_windows.with_temperatures(closed, self.state.windows)
        self._look(trust_windows.after(self.state.windows, closed))
        self.taken = carried
        self._learn_varieties(potential, temperature)
        for row, is_potential in self._turning_periods():
            self._take_windows(carried + int(np.searchsorted(closed.row, row)))
            self._take_period(row, is_potential=is_potential, around=potential if is_potential else temperature)
        self._take_windows(len(self.windows))
        self._hear()
        self._keep(carried)

    def _look(self, windows: ClosedWindows) -> None:
        self.windows = windows
        self.course = continuity.compare(windows, self.around.line, length_us=self.around.length_us)
        self.loose = plausibility.loose_part(windows, self.around.length_us)
        self.scatter = plausibility.scatter_ph(windows)
        may_be_wrong = (
            (self.course.up_ph > continuity.UP_PH)
            | (self.course.down_ph > continuity.DOWN_PH)
            | (windows.warm == 0)
            | (self.course.step_c > plausibility.STEP_C)
            | (self.loose > plausibility.CONTACT_PART)
            | (self.scatter > plausibility.USABLE_PH)
        )
        self.suspicious = [*np.flatnonzero(may_be_wrong).tolist(), len(windows)]

    def _take_windows(self, until: int) -> None:
        """Take windows one by one where something may be wrong, and the others at once."""
        if self.state.anew_us is None and self.taken < until:
            begin_us = int(self.windows.number[self.taken]) * self.around.length_us
            self.state = replace(self.state, anew_us=begin_us)
            self.turns.append((int(self.windows.row[self.taken]), self.state))
        while self.taken < until:
            calm = min(until, self.suspicious[bisect_left(self.suspicious, self.taken)])
            if _is_calm(self.state) and calm > self.taken:
                self._learn(self.taken, calm)
                self.taken = calm
            else:
                self._take_window(self.taken)
                self.taken += 1

    def _take_window(self, at: int) -> None:
        row = int(self.windows.row[at])
        self._hear(row)
        before = self.state
        scattered = bool(self.scatter[at] > plausibility.USABLE_PH)
        if scattered is not before.scattered:
            self.state = replace(self.state, scattered=scattered)
        if self.state.expected is not None:
            self._bear_out(at, self.state.expected)
        elif self.state.loss is not None:
            self.state = self._earned_back(at, self.state.loss)
        else:
            self._judge(at)
        if self.state != before:
            self.turns.append((row, self.state))

    def _judge(self, at: int) -> None:
        """Judge one window of a probe that is trusted or doubted."""
        if self.state.doubt is not None:
            self._reconsider_doubt(at, self.state.doubt)
        up_ph, down_ph = self._jump_limits(at)
        up, down = float(self.course.up_ph[at]), float(self.course.down_ph[at])
        size = max(up / up_ph, down / down_ph)
        self.state = replace(self.state, odd=self.state.odd + 1 if size > 1.0 else 0)
        if size > AT_ONCE or self.state.odd >= min(LASTS, continuity.reach(self.around.length_us).back):
            self._lose(at, TrustCause.JUMP, jump_ph=float(self.course.moved_ph[at]))
        elif self.loose[at] > plausibility.CONTACT_PART:
            self._lose(at, TrustCause.CONTACT)
        elif (quiet_mv := self._quiet_mv()) is not None and self._is_noisier(at, quiet_mv):
            self._lose(at, TrustCause.AIR, quiet_mv=quiet_mv)
        elif self.state.doubt is None and self.windows.warm[at] == 0:
            self._doubt(at, TrustCause.THERMOMETER)
        elif self.state.doubt is None and self.course.step_c[at] > self._step_limit_c(at):
            self._doubt(at, TrustCause.TEMPERATURE)
        elif _is_calm(self.state) or self.state.odd:
            self._learn(at, at + 1)

    def _jump_limits(self, at: int) -> tuple[float, float]:
        """Return how far up and down from its course a level may lie."""
        if self._is_unsettled(at):
            return continuity.UP_PH + UNSETTLED_PH, continuity.DOWN_PH + UNSETTLED_PH
        is_young = self.state.anew_us is None or self._end_us(at) - self.state.anew_us < YOUNG_US
        return continuity.EARLY_PH if is_young else continuity.UP_PH, continuity.DOWN_PH

    def _step_limit_c(self, at: int) -> float:
        if self._is_unsettled(at):
            return UNSETTLED_C
        return plausibility.step_limit_c(self.state.swings_c, self.state.digit_c)

    def _is_unsettled(self, at: int) -> bool:
        if self.around.unsettled_us is None:
            return False
        from_us, until_us = self.around.unsettled_us
        return from_us <= self._end_us(at) <= until_us + UNSETTLED_US

    def _end_us(self, at: int) -> int:
        """Return the watch time at which a window ends."""
        return (int(self.windows.number[at]) + 1) * self.around.length_us

    def _ago(self, at: int, windows: int) -> _Time:
        """Return the time so many windows before the end of one that closed in this piece."""
        elapsed_us = self._end_us(at) - windows * self.around.length_us
        return _Time(elapsed_us, int(self.windows.at_us[at]) - (int(self.windows.elapsed_us[at]) - elapsed_us))

    def level(self, at: int, slope: float = 0.0) -> Level:
        """Return the level at a window: medians of it and the two before it."""
        near = slice(max(0, at - continuity.LEVEL + 1), at + 1)
        return Level(
            elapsed_us=self._end_us(at),
            potential_mv=median(self.windows.potential_mv[near].tolist()),
            temperature_c=median(self.windows.temperature_c[near].tolist()),
            slope_ph_per_h=0.0 if np.isnan(slope) else slope,
        )

    def _before(self, at: int) -> Level | None:
        """Return the level that a window is compared with."""
        place = int(self.course.before[at])
        return self.level(place, float(self.course.slope[at])) if place >= continuity.LEVEL - 1 else None

    def _lose(
        self,
        at: int,
        cause: TrustCause,
        *,
        jump_ph: float = 0.0,
        before: Level | None = None,
        quiet_mv: float | None = None,
        since: _Time | None = None,
    ) -> None:
        """Lose trust at a window; a level of three shows it one window after it began."""
        since = since or self._ago(at, 2 + max(self.state.odd - 1, 0))
        loss = Loss(
            cause=cause,
            since_us=since.elapsed_us,
            since_at_us=since.at_us,
            before=before or self._before(at),
            now=self.level(at),
            jump_ph=jump_ph,
            quiet_mv=quiet_mv,
        )
        day = tuple(us for us in self.state.losses_us if us > since.elapsed_us - DAY_US)
        self.state = replace(self.state, loss=loss, expected=None, odd=0, losses_us=(*day, since.elapsed_us))

    def _doubt(self, at: int, cause: TrustCause, *, since: _Time | None = None) -> None:
        before, since = self._before(at), since or self._ago(at, 2)
        now_c = self.level(at).temperature_c
        doubt = Doubt(
            cause=cause,
            since_us=since.elapsed_us,
            since_at_us=since.at_us,
            before_c=now_c if before is None else before.temperature_c,
            now_c=now_c,
            before_mv=plausibility.usual_noise_mv(self.windows, max(0, at - continuity.LEVEL)),
        )
        self.state = replace(self.state, doubt=doubt)

    def _quiet_mv(self) -> float | None:
        """Return the noise before the temperature stepped; None: it did not."""
        doubt = self.state.doubt
        return None if doubt is None or doubt.cause is not TrustCause.TEMPERATURE else doubt.before_mv

    def _is_noisier(self, at: int, usual_mv: float) -> bool:
        """Tell whether the newest windows are all far noisier than usual."""
        near = self.windows.noise_mv[max(0, at - continuity.LEVEL + 1) : at + 1]
        return len(near) == continuity.LEVEL and bool((near > plausibility.NOISIER * usual_mv).all())

    def _reconsider_doubt(self, at: int, doubt: Doubt) -> None:
        """End a doubt by the temperature when that is back, or after half a day: then this is the vat's.

        One of the thermometer ends when that shows a vat's temperature again, and as many values as usual; one by a
        backup by a check or a calibration alone.
        """
        if doubt.cause is TrustCause.BACKUP:
            return
        if doubt.cause is not TrustCause.TEMPERATURE:
            if self.windows.warm[at] == 1 and liveness.is_alive(self.state.temperature):
                self.state = replace(self.state, doubt=None, earned_by=EarnedBy.RETURN)
            return
        limit_c = plausibility.step_limit_c(self.state.swings_c, self.state.digit_c)
        now_c = float(self.course.warm_c[at])
        has_settled = not self.course.step_c[at] > self._step_limit_c(at)  # the step back is one too
        is_back = abs(now_c - doubt.before_c) < 0.5 * limit_c and has_settled
        if is_back or self._end_us(at) - doubt.since_us > DOUBT_LASTS_US:
            by = EarnedBy.RETURN if is_back else EarnedBy.LASTED
            self.state = replace(self.state, doubt=None, earned_by=by)

    def _bear_out(self, at: int, expected: Level) -> None:
        """Compare what somebody said to be back in the vat with where the vat was."""
        if np.isnan(self.course.ph[at]):
            return
        low, high = continuity.expected_ph(expected, self.around.line, elapsed_us=self._end_us(at))
        gap_h = min((self._end_us(at) - expected.elapsed_us) / HOUR_US, continuity.GAP_H)
        ph = float(self.course.ph[at])
        above = ph - high - continuity.UP_PH - continuity.GAP_UP_PH * gap_h
        below = low - ph - continuity.DOWN_PH - continuity.GAP_DOWN_PH * gap_h
        self.state = replace(self.state, expected=None)
        if self.state.loss is not None and max(above, below) <= 0.0:
            self.state = self._trusted(at, EarnedBy.BORNE_OUT)
        elif max(above, below) > 0.0:
            self._lose(at, TrustCause.NOT_BORNE_OUT, jump_ph=ph - (high if above > 0.0 else low), before=expected)

    def _earned_back(self, at: int, loss: Loss) -> TrustState:
        """Return the state after one more window of a probe whose trust is lost."""
        loss = replace(self._followed(at, loss), now=self.level(at))
        agreeing = loss.windows_agreeing + 1 if self.windows.agrees[at] == 1 else 0
        loss = replace(loss, windows_agreeing=agreeing)
        is_firm = not self.loose[at] > 0.5 * plausibility.CONTACT_PART
        by_physics = loss.windows_back * self.around.length_us >= self._must_stay_us(loss) and is_firm
        by_second = agreeing * self.around.length_us >= AGREES_US
        if (by_physics and self._end_us(at) - loss.since_us <= DAY_US) or by_second:
            return self._trusted(at, EarnedBy.SECOND_PROBE if by_second else EarnedBy.RETURN)
        return replace(self.state, loss=loss)

    def _trusted(self, at: int, by: EarnedBy) -> TrustState:
        """Return the state of a probe that has earned its trust back with this window."""
        elapsed_us, at_us = int(self.windows.elapsed_us[at]), int(self.windows.at_us[at])
        return replace(self.state, loss=None, expected=None, unbroken_us=elapsed_us, unbroken_at_us=at_us, earned_by=by)

    def _followed(self, at: int, loss: Loss) -> Loss:
        """Follow the size of a jump, the step back, and how long the level has been back in the course before."""
        before = loss.before
        if before is None:
            return loss
        ph, moved_ph = float(self.course.ph[at]), float(self.course.moved_ph[at])
        if loss.jump_ph and self._end_us(at) - loss.since_us <= GROWS_US:
            is_farther = abs(moved_ph) > abs(loss.jump_ph) and moved_ph * loss.jump_ph > 0.0
            loss = replace(loss, jump_ph=moved_ph if is_farther else loss.jump_ph)
        if not self._is_in_course(at, ph, before):
            return replace(loss, has_stepped_back=False, windows_back=0)
        stepped = loss.has_stepped_back or self._steps_back(at, loss.jump_ph)
        is_noisy = loss.quiet_mv is not None and self._is_noisier(at, loss.quiet_mv)
        counts = stepped and not is_noisy and liveness.is_alive(self.state.potential)
        return replace(loss, has_stepped_back=stepped, windows_back=loss.windows_back + 1 if counts else 0)

    def _steps_back(self, at: int, jump_ph: float) -> bool:
        """Tell whether a level comes from where the jump had led to, within half an hour; no jump needs no step."""
        near = self.course.ph[max(0, at - continuity.reach(self.around.length_us).back) : at + 1]
        farthest = float(np.fmax.reduce((near - near[-1]) * np.sign(jump_ph)))
        return farthest >= STEP_BACK * abs(jump_ph)

    def _is_in_course(self, at: int, ph: float, before: Level) -> bool:
        """Tell whether a level lies where the course before leads to, temperature included."""
        low, high = continuity.expected_ph(before, self.around.line, elapsed_us=self._end_us(at))
        hours = (self._end_us(at) - before.elapsed_us) / HOUR_US
        margin = min(BACK_PH + BACK_PH_PER_H * hours, BACK_MOST_PH)
        doubt = self.state.doubt  # what left after a step of temperature is not back before that is
        stepped = doubt is not None and doubt.cause is TrustCause.TEMPERATURE
        before_c = doubt.before_c if doubt is not None and stepped else before.temperature_c
        is_warm = abs(float(self.course.warm_c[at]) - before_c) <= BACK_C
        return low - margin <= ph <= high + margin and is_warm

    def _must_stay_us(self, loss: Loss) -> int:
        losses = sum(us > loss.since_us - DAY_US for us in self.state.losses_us)
        return int(BACK_US * LONGER ** max(0, losses - 1))

    def _learn_varieties(self, potential: Periods, temperature: Periods) -> None:
        """Learn how many values are usual: that hangs on the periods alone."""
        state = self.state
        self.potential = liveness.follow(
            state.potential,
            potential,
            digit=state.digit_mv,
            is_coarse=state.is_coarse,
            coarse_from=COARSE_MV,
            resolution=self.around.resolution_mv,
        )
        self.temperature = liveness.follow(
            state.temperature, temperature, digit=state.digit_c, is_coarse=True, coarse_from=0.0
        )

    def _turning_periods(self) -> list[tuple[int, bool]]:
        """Return the row of each period that says anything new, and whether it is of the potential: that is last."""
        return sorted(
            (row, course is self.potential)
            for course in (self.potential, self.temperature)
            for number, row in enumerate(course.rows, 1)
            if course.turns(number)
        )

    def _hear(self, row: int | None = None, *, is_potential: bool = True) -> tuple[int, int]:
        """Put into the state what the periods up to a row showed (None: all), the potential's at it too or not yet."""
        potential, temperature = self.potential, self.temperature
        find = bisect_right if is_potential else bisect_left
        heard = (
            len(potential.rows) if row is None else find(potential.rows, row),
            len(temperature.rows) if row is None else bisect_right(temperature.rows, row),
        )
        if heard != self.heard:
            of_potential, of_temperature = self.heard = heard
            self.state = replace(
                self.state,
                potential=potential.after(of_potential),
                digit_mv=potential.digit[of_potential],
                is_coarse=potential.coarse[of_potential],
                temperature=temperature.after(of_temperature),
                digit_c=temperature.digit[of_temperature],
            )
        return heard

    def _take_period(self, row: int, *, is_potential: bool, around: Periods) -> None:
        """Take a period that says anything new of potential or temperature."""
        heard = self._hear(row, is_potential=is_potential)
        before, course = self.state, self.potential if is_potential else self.temperature
        number = heard[0] if is_potential else heard[1]
        if course.is_frozen(number) and self.taken:
            froze = self._froze(around, number - 1)
            if is_potential and before.loss is None:
                self._lose(self.taken - 1, TrustCause.FROZEN, before=before.expected, since=froze)
            if not is_potential and before.doubt is None:
                self._doubt(self.taken - 1, TrustCause.THERMOMETER, since=froze)
        is_known_anew = is_potential and course.is_known(number) is not course.is_known(number - 1)
        if self.state is not before or is_known_anew:
            self.turns.append((row, self.state))

    def _froze(self, periods: Periods, at: int) -> _Time:
        """Return when the first of the poor periods that end with one began; its windows may be of an earlier block."""
        span_us = liveness.NEWEST * liveness.period_us(self.around.length_us)
        return _Time(int(periods.elapsed_us[at]) - span_us, int(periods.at_us[at]) - span_us)

    def _learn(self, at: int, until: int) -> None:
        """Learn from calm windows how far the temperature usually moves in half an hour."""
        steps = np.fmax(self.course.step_c[at:until], 0.0)
        hours = (self.windows.number[at:until] * self.around.length_us) // HOUR_US
        starts = np.flatnonzero(np.diff(hours, prepend=-1))
        largest = np.fmax.reduceat(steps, starts)
        learnt, hour, swing_c = list(self.state.swings_c), self.state.hour, self.state.swing_c
        for now, most_c in zip(hours[starts].tolist(), largest.tolist(), strict=True):
            if now == hour:
                swing_c = max(swing_c, most_c)
                continue
            learnt += [swing_c] if hour else []
            hour, swing_c = now, most_c
        self.state = replace(self.state, swings_c=tuple(learnt[-plausibility.DAY_H :]), hour=hour, swing_c=swing_c)

    def _keep(self, carried: int) -> None:
        """Keep what later windows are judged by."""
        windows = self.windows
        if len(windows) == carried:
            return
        moved = np.flatnonzero(np.diff(windows.temperature_c))
        last = len(windows) - 1
        still = last - 1 - int(moved[-1]) if len(moved) else self.state.still + last - max(carried - 1, 0)
        self.state = replace(
            self.state, windows=trust_windows.newest(windows, keep=windows_kept(self.around.length_us)), still=still
        )


def windows_kept(length_us: int) -> int:
    """Return how many windows of this length must be carried: as many as anything looks back on."""
    return max(continuity.reach(length_us).keep, plausibility.KEEP)


def _is_calm(state: TrustState) -> bool:
    """Tell whether nothing is open, so that windows in which nothing is odd need not be looked at one by one."""
    return state.is_sound and not state.scattered and not state.odd


def tests_of(state: TrustState) -> QualityTests:
    """Return the tests that trust speaks by against the records after a state."""
    if _is_calm(state) and state.anew_us is not None:  # nearly always
        return QualityTests.NONE
    tests = QualityTests.UNWITNESSED if state.anew_us is None else QualityTests.NONE
    tests |= _LOST[state.loss.cause] if state.loss is not None else QualityTests.NONE
    tests |= QualityTests.DOUBTED if state.doubt is not None else QualityTests.NONE
    return tests | QualityTests.SCATTERED if state.scattered else tests


_LOST = {
    TrustCause.JUMP: QualityTests.JUMPED,
    TrustCause.AIR: QualityTests.OUT_OF_LIQUID,
    TrustCause.FROZEN: QualityTests.FROZEN,
    TrustCause.CONTACT: QualityTests.LOOSE,
    TrustCause.NOT_BORNE_OUT: QualityTests.NOT_BORNE_OUT,
}


def knows_variety(state: TrustState) -> bool:
    """Tell whether it is known how many values the instrument shows, or that it shows too few to tell by."""
    return len(state.potential.usual) >= liveness.LEARNT or state.is_coarse
