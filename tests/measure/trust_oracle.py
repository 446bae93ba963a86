"""A naive reading of the rules of trust: window by window, with lists, from the docstrings of `measure/trust.py`.

It knows nothing of blocks, of calm windows that are taken at once, or of numpy; it keeps all windows it has seen. Only
the constants are taken from the code. It tells the level and the cause after each window.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import sqrt
from statistics import median

from logger.measure import continuity, plausibility, trust

WINDOW_H = 5.0 / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A closed window as a person would note it."""

    number: int
    ph: float
    warm_c: float
    noise_mv: float
    spread_mv: float
    outliers: int
    agrees: bool
    is_warm: bool = True
    """The thermometer told a temperature."""
    nernst_mv: float = 58.17
    count: int = 15

    @property
    def end_h(self) -> float:
        """Return the watch time at which it ends."""
        return (self.number + 1) * WINDOW_H


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a vat was: its pH, temperature, how it went on, and when."""

    ph: float
    warm_c: float
    slope: float
    end_h: float


@dataclass(slots=True, kw_only=True)
class Lost:
    """A loss that is open."""

    cause: str
    since_h: float
    before: Place | None
    jump_ph: float = 0.0
    quiet_mv: float | None = None
    has_stepped_back: bool = False
    back: int = 0
    agreeing: int = 0


@dataclass(slots=True, kw_only=True)
class Doubted:
    """A doubt that is open."""

    cause: str
    since_h: float
    before_c: float
    before_mv: float


@dataclass(slots=True)
class Oracle:
    """The trust in a probe, told window by window."""

    unsettled_h: tuple[float, float] | None = None
    seen: list[Window] = field(default_factory=list)
    lost: Lost | None = None
    doubt: Doubted | None = None
    off: int = 0
    losses_h: list[float] = field(default_factory=list)
    steps_c: dict[int, float] = field(default_factory=dict)
    """The largest step of the temperature of each hour in which nothing was wrong."""
    potential: list[int] = field(default_factory=list)
    usual: list[int] = field(default_factory=list)

    # What the signals say.

    def level(self, at: int) -> float | None:
        """Return the median pH of a window and the two before it."""
        return None if at < 2 else median(one.ph for one in self.seen[at - 2 : at + 1])

    def warmth(self, at: int) -> float:
        """Return the same of the temperature."""
        return median(one.warm_c for one in self.seen[at - 2 : at + 1])

    def when_h(self, at: int) -> float:
        """Return the watch time of a level: that of the middle of its windows."""
        return median(one.end_h for one in self.seen[at - 2 : at + 1])

    def before(self, at: int) -> Place | None:
        """Return where the vat was half an hour before, and how fast it went in the hour before that."""
        earlier = max(at - 6, 2)
        if at < 5:
            return None
        root = max(earlier - 12, 2)
        slope = 0.0
        if earlier - root >= 6:
            run_h = self.when_h(earlier) - self.when_h(root)
            slope = (self._ph(earlier) - self._ph(root)) / run_h
            slope = min(max(slope, -continuity.STEEPEST_PH_PER_H), continuity.STEEPEST_PH_PER_H)
        return Place(ph=self._ph(earlier), warm_c=self.warmth(earlier), slope=slope, end_h=self.seen[earlier].end_h)

    def _ph(self, at: int) -> float:
        found = self.level(at)
        assert found is not None
        return found

    def off_course(self, at: int) -> tuple[float, float, float, float] | None:
        """Return how far a level lies above and below its course, how far the temperature moved, and pH moved."""
        start = self.before(at)
        if start is None:
            return None
        earlier = max(at - 6, 2)
        age_h = self.when_h(at) - self.when_h(earlier)
        gap_h = max(age_h - 0.5, 0.0)
        goes_on = start.ph + start.slope * min(age_h, 1.0)
        above = self._ph(at) - max(start.ph, goes_on) - continuity.GAP_UP_PH * min(gap_h, continuity.GAP_H)
        below = min(start.ph, goes_on) - self._ph(at) - continuity.GAP_DOWN_PH * min(gap_h, continuity.GAP_H)
        step_c = abs(self.warmth(at) - start.warm_c) - continuity.GAP_C * min(gap_h, continuity.GAP_C_H)
        return above, below, step_c, self._ph(at) - start.ph

    def loose(self, at: int) -> float:
        """Return which part of the readings of an hour lie far off; 0 before there is an hour."""
        hour = self.seen[at - 11 : at + 1] if at >= 11 else []
        return sum(one.outliers for one in hour) / sum(one.count for one in hour) if hour else 0.0

    def is_scattered(self, at: int) -> bool:
        """Tell whether the scatter makes the median uncertain by more than is of use."""
        one = self.seen[at]
        return 1.25 * one.spread_mv / sqrt(one.count) / one.nernst_mv > plausibility.USABLE_PH

    def is_noisier(self, at: int, quiet_mv: float) -> bool:
        """Tell whether three windows in a row are far noisier than before."""
        return at >= 2 and all(one.noise_mv > plausibility.NOISIER * quiet_mv for one in self.seen[at - 2 : at + 1])

    def step_limit_c(self, at: int, *, marked: bool) -> float:
        """Return how far the temperature may move in half an hour."""
        if marked and self.is_unsettled(at):
            return trust.UNSETTLED_C
        hours = [self.steps_c[hour] for hour in sorted(self.steps_c)[:-1] if hour > 0][-24:]
        if len(hours) < 3:
            return plausibility.UNLEARNT_C
        nine_of_ten = sorted(hours)[int(0.9 * (len(hours) - 1))]
        return max(plausibility.STEP_C, plausibility.DIGIT_C, plausibility.SWINGS * nine_of_ten)

    def is_unsettled(self, at: int) -> bool:
        """Tell whether stirring or topping up was told a while ago."""
        if self.unsettled_h is None:
            return False
        begin_h, end_h = self.unsettled_h
        return begin_h <= self.seen[at].end_h <= end_h + 0.5

    # What follows.

    def take(self, window: Window) -> tuple[str, str]:
        """Take one more window; return the level of trust, and what it was lost or is doubted by."""
        self.seen.append(window)
        at = len(self.seen) - 1
        if self.lost is not None:
            self._try_to_earn_back(at, self.lost)
        else:
            self._judge(at)
        if self.lost is not None:
            return "lost", self.lost.cause
        return ("earned", "") if self.doubt is None else ("doubted", self.doubt.cause)

    def _judge(self, at: int) -> None:
        off = self.off_course(at)
        self._end_doubt(at, off)
        if off is not None and self._has_jumped(at, off):
            return
        if self.loose(at) > plausibility.CONTACT_PART:
            self._lose(at, "contact")
        elif self.doubt and self.doubt.cause == "temperature" and self.is_noisier(at, self.doubt.before_mv):
            self._lose(at, "air", quiet_mv=self.doubt.before_mv)
        elif self.doubt is None and not self.seen[at].is_warm:
            self._doubt(at, "thermometer")
        elif self.doubt is None and off is not None and off[2] > self.step_limit_c(at, marked=True):
            self._doubt(at, "temperature")
        elif (self.doubt is None and not self.is_scattered(at)) or self.off:
            hour = int((self.seen[at].number * 5) // 60)
            step_c = 0.0 if off is None else max(off[2], 0.0)
            self.steps_c[hour] = max(self.steps_c.get(hour, 0.0), step_c)

    def _has_jumped(self, at: int, off: tuple[float, float, float, float]) -> bool:
        """Lose trust where a level is off its course for some windows in a row, or far off."""
        first_h = self.seen[0].number * WINDOW_H
        is_young = self.seen[at].end_h - first_h < 3.0 - 1e-9
        up = continuity.EARLY_PH if is_young else continuity.UP_PH
        down = continuity.DOWN_PH
        if self.is_unsettled(at):
            up, down = continuity.UP_PH + trust.UNSETTLED_PH, continuity.DOWN_PH + trust.UNSETTLED_PH
        times = max(off[0] / up, off[1] / down)
        self.off = self.off + 1 if times > 1.0 else 0
        if times <= trust.AT_ONCE and self.off < trust.LASTS:
            return False
        self._lose(at, "jump", jump_ph=off[3])
        return True

    def _lose(self, at: int, cause: str, *, jump_ph: float = 0.0, quiet_mv: float | None = None) -> None:
        since_h = self.seen[at].end_h - (2 + max(self.off - 1, 0)) * WINDOW_H
        self.lost = Lost(cause=cause, since_h=since_h, before=self.before(at), jump_ph=jump_ph, quiet_mv=quiet_mv)
        self.losses_h.append(since_h)
        self.off = 0

    def _doubt(self, at: int, cause: str) -> None:
        start = self.before(at)
        quiet = self.seen[max(0, max(0, at - 3) - 11) : max(0, at - 3) + 1]
        self.doubt = Doubted(
            cause=cause,
            since_h=self.seen[at].end_h - 2 * WINDOW_H,
            before_c=start.warm_c if start else median(one.warm_c for one in self.seen[max(0, at - 2) : at + 1]),
            before_mv=median(one.noise_mv for one in quiet),
        )

    def _end_doubt(self, at: int, off: tuple[float, float, float, float] | None) -> None:
        """End a doubt: the thermometer speaks again; the temperature is back, and still; or half a day has passed."""
        if self.doubt is None:
            return
        if self.doubt.cause == "thermometer":
            self.doubt = None if self.seen[at].is_warm else self.doubt
            return
        is_near = at >= 2 and abs(self.warmth(at) - self.doubt.before_c) < 0.5 * self.step_limit_c(at, marked=False)
        is_still = off is None or off[2] <= self.step_limit_c(at, marked=True)
        if (is_near and is_still) or self.seen[at].end_h - self.doubt.since_h > 12.0 + 1e-9:
            self.doubt = None

    def _try_to_earn_back(self, at: int, lost: Lost) -> None:
        self._follow(at, lost)
        lost.agreeing = lost.agreeing + 1 if self.seen[at].agrees else 0
        of_the_day = [h for h in self.losses_h if h > lost.since_h - 24.0 + 1e-9]
        hours = 4.0 ** (len(of_the_day) - 1)
        is_in_time = self.seen[at].end_h - lost.since_h <= 24.0 + 1e-9
        is_firm = self.loose(at) <= 0.5 * plausibility.CONTACT_PART
        if (lost.back * WINDOW_H >= hours - 1e-9 and is_in_time and is_firm) or lost.agreeing >= 12:
            self.lost = None

    def _follow(self, at: int, lost: Lost) -> None:
        """Count the windows that lie where the vat was, after a step back if it left by one."""
        if lost.before is None:
            return
        off = self.off_course(at)
        if lost.jump_ph and off and self.seen[at].end_h - lost.since_h <= 0.5 + 1e-9:
            grown = off[3] if off[3] * lost.jump_ph > 0 else 0.0
            lost.jump_ph = max(lost.jump_ph, grown, key=abs)
        if not self._is_where_it_was(at, lost.before):
            lost.has_stepped_back, lost.back = False, 0
            return
        lost.has_stepped_back |= self._has_stepped_back(at, lost.jump_ph)
        noisy = lost.quiet_mv is not None and self.is_noisier(at, lost.quiet_mv)
        lost.back = lost.back + 1 if lost.has_stepped_back and not noisy else 0

    def _has_stepped_back(self, at: int, jump_ph: float) -> bool:
        """Tell whether in the last half hour the level was where the jump had led to."""
        if not jump_ph:
            return True
        levels = [found for found in (self.level(one) for one in range(max(0, at - 6), at + 1)) if found is not None]
        sense = 1.0 if jump_ph > 0 else -1.0
        return max((one - levels[-1]) * sense for one in levels) >= trust.STEP_BACK * abs(jump_ph)

    def _is_where_it_was(self, at: int, before: Place) -> bool:
        hours = self.seen[at].end_h - before.end_h
        went = before.slope * min(hours, 6.0)
        low, high = before.ph + min(went, 0.0), before.ph + max(0.0, min(went, continuity.UP_PH))
        margin = min(trust.BACK_PH + trust.BACK_PH_PER_H * hours, trust.BACK_MOST_PH)
        near_c = min(trust.BACK_C, self.step_limit_c(at, marked=False))
        by_step = self.doubt is not None and self.doubt.cause == "temperature"
        before_c = self.doubt.before_c if self.doubt is not None and by_step else before.warm_c
        is_warm = abs(self.warmth(at) - before_c) <= near_c
        return low - margin <= self._ph(at) <= high + margin and is_warm


def judged(windows: Sequence[Window], *, unsettled_h: tuple[float, float] | None = None) -> list[tuple[str, str]]:
    """Return the level of trust and its cause after each window."""
    oracle = Oracle(unsettled_h=unsettled_h)
    return [oracle.take(window) for window in windows]
