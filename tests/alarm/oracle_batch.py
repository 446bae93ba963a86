"""An independent reading of marks and of the alarms that look back: one sample at a time, plain Python, slow.

It adds to `oracle.py` windows that are closed one by one, what is kept of them, and what marks do to it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from logger.config import AlarmKind, ProbeConfig, VatConfig
from logger.model import Cause, Command, CommandKind
from tests.alarm.oracle import Oracle
from tests.alarm.oracle_words import ABNORMAL, BACK, BETWEEN, SAY_NOTHING, Alarm, Refused, Sample, Told

HOUR = 3.6e9
LONGEST_AGO_S = 60 * 24 * 3600.0


@dataclass(kw_only=True)
class Past:
    """What one alarm remembers: the medians it may still need, and figures of its kind."""

    kept: list[tuple[int, float]] = field(default_factory=list)
    lowest: float | None = None
    armed: bool = False
    top: float | None = None
    before: float | None = None
    hours: float = 0.0
    counted: int | None = None
    warm: float | None = None

    def level(self) -> float:
        return median(value for _, value in self.kept[-3:])


@dataclass(kw_only=True)
class BatchOracle(Oracle):
    """A watch whose alarms all look at windows."""

    seen: list[tuple[int, float | None, str, float | None]] = field(default_factory=list)
    """Of the samples so far: when, pH, belief, temperature."""
    past: dict[str, Past] = field(default_factory=dict)
    fresh: int = 0
    unsettled: tuple[int, int] = (0, 0)
    started: int | None = None

    # --- windows

    def judge(self, alarm: Alarm, sample: Sample, ph: float | None, belief: str) -> None:
        is_of_the_vat = sample.mv is not None and self.is_warmth(sample.c) and not self.is_away
        c = sample.c if is_of_the_vat else None
        if alarm is self.alarms[0]:
            self.seen.append((sample.t, ph, belief, c))
        length = round(alarm.config.window_s * 1e6)
        if len(self.seen) < 2 or self.seen[-2][0] // length == sample.t // length:
            return
        number = self.seen[-2][0] // length
        inside = [each for each in self.seen[:-1] if each[0] // length == number and each[0] >= self.fresh]
        good = [each[1] for each in inside if each[2] == "believed" and each[1] is not None]
        warm = [each[3] for each in inside if each[3] is not None]
        middle = median(good) if 2 * len(good) > len(inside) else None
        value = median(warm) if 2 * len(warm) > len(inside) else None
        if alarm.config.kind in LOOKING:
            value = self.look_back(alarm, number * length, length, middle, value)
            says = self.says(alarm, value)
        else:
            says = self.compare(alarm.config, value, "believed")
        if says != SAY_NOTHING:
            shown = None if value in (None, float("inf")) else value
            self.delay(alarm, says, shown)
            alarm.newest = alarm.newest if shown is None else shown

    def says(self, alarm: Alarm, value: float | None) -> str:
        config = alarm.config
        assert config.setpoint is not None
        if value is None:
            return SAY_NOTHING
        is_low = config.kind in (AlarmKind.STALL, AlarmKind.FALL_BROKE_OFF)
        beyond = config.setpoint - value if is_low else value - config.setpoint
        return ABNORMAL if beyond >= 0 else BACK if beyond <= -config.deadband else BETWEEN

    def patience_s(self, alarm: Alarm) -> float:
        return self.probe.limits.max_gap_s + alarm.config.window_s

    def look_back(self, alarm: Alarm, begin: int, length: int, value: float | None, warm: float | None) -> float | None:
        """Take a window in; return what the alarm looks at, None where nothing can be told."""
        past, kind = self.past.setdefault(alarm.config.id, Past()), alarm.config.kind
        if kind in (AlarmKind.NO_START, AlarmKind.STALL, AlarmKind.FALL_BROKE_OFF):
            self.count(past, begin + length, warm)
        since, until = self.unsettled
        is_after = begin >= until
        if value is None or not (is_after or begin + length <= since):
            return None
        reach = {AlarmKind.RATE_OF_CHANGE: 3, AlarmKind.RISE: 2, AlarmKind.EARLY_RISE: 24}.get(kind, 12)
        past.kept = [each for each in past.kept if each[0] >= begin - reach * length] + [(begin, value)]
        if kind in (AlarmKind.RATE_OF_CHANGE, AlarmKind.RISE) and is_after:
            past.kept = [each for each in past.kept if each[0] >= until]
        if kind is AlarmKind.RATE_OF_CHANGE:
            past.kept = [each for each in past.kept if each[0] > self.fresh - length]
            then = dict(past.kept).get(begin - 3 * length)
            return None if then is None else abs(value - then) / (3 * length / HOUR)
        if kind is AlarmKind.RISE:
            return self.rise(past, alarm, is_after=is_after)
        self.move_by_top_up(past)
        return self.early_rise(past) if kind is AlarmKind.EARLY_RISE else self.batch(past, alarm, warm)

    def count(self, past: Past, end: int, warm: float | None) -> None:
        past.warm = past.warm if warm is None else warm
        since = self.started if past.counted is None else past.counted
        if since is None or end <= since or self.started is None:
            return
        c = 20.0 if past.warm is None else past.warm
        past.hours += (end - since) / HOUR * ((max(c, -3.0) + 3.0) / 23.0) ** 2
        past.counted = end

    def rise(self, past: Past, alarm: Alarm, *, is_after: bool) -> float | None:
        if len(past.kept) < 2:
            return None
        level = past.level()
        if past.before is not None and is_after:
            past.lowest = None if past.lowest is None else past.lowest + level - past.before
            past.before = None
        past.lowest = level if past.lowest is None or level < past.lowest else past.lowest
        armed_ph = alarm.config.armed_ph
        past.armed = past.armed or armed_ph is None or past.lowest <= armed_ph
        return level - past.lowest if past.armed else 0.0

    def early_rise(self, past: Past) -> float | None:
        if len(past.kept) < 2:
            return None
        past.lowest = past.level() if past.lowest is None else min(past.lowest, past.level())
        rises = [each.config for each in self.alarms if each.config.kind is AlarmKind.RISE]
        if any(rise.armed_ph is not None and past.lowest <= rise.armed_ph for rise in rises):
            return 0.0
        return past.kept[-1][1] - min(value for _, value in past.kept)

    def move_by_top_up(self, past: Past) -> None:
        begin, value = past.kept[-1]
        if past.before is not None and begin >= self.unsettled[1]:
            step, past.before = value - past.before, None
            past.kept = [(each, old + step) for each, old in past.kept[:-1]] + past.kept[-1:]
            past.top = None if past.top is None else past.top + step

    def batch(self, past: Past, alarm: Alarm, warm: float | None) -> float | None:
        begin, value = past.kept[-1]
        config, level = alarm.config, past.level()
        if config.kind is AlarmKind.FALL_BROKE_OFF:
            return self.broke_off(past, round(config.window_s * 1e6), warm)
        if config.kind is AlarmKind.NO_START:
            if self.started is None:
                return None
            if past.top is None and 0 <= begin - self.started <= 6 * HOUR:
                past.top = value
            return None if past.top is None else past.hours if past.top - level < config.drop_ph else 0.0
        past.top = level if past.top is None else max(past.top, level)
        past.lowest = level if past.lowest is None else min(past.lowest, level)
        if past.top - level < config.drop_ph or past.lowest <= config.above_ph:
            return float("inf")
        return None if len(past.kept) < 9 or not self.is_in_band(warm) else self.fall(past.kept)

    def broke_off(self, past: Past, length: int, warm: float | None) -> float | None:
        newest = past.kept[-1][0]
        late = [each for each in past.kept if newest - each[0] <= 3 * length]
        early = [each for each in past.kept if 3 * length <= newest - each[0] <= 9 * length]
        if len(late) < 3 or len(early) < 5 or not self.is_in_band(warm):
            return None
        before = self.fall(early)
        return float("inf") if before <= 0.03 else 100.0 * max(self.fall(late), 0.0) / before

    @staticmethod
    def is_in_band(warm: float | None) -> bool:
        return warm is not None and 17.5 < warm < 22.0  # of the temperature alarms in the test's configuration

    @staticmethod
    def fall(kept: list[tuple[int, float]]) -> float:
        pairs = [(a, b) for n, a in enumerate(kept) for b in kept[n + 1 :]]
        return -median((b[1] - a[1]) / ((b[0] - a[0]) / HOUR) for a, b in pairs)

    # --- marks

    def take(self, sample: Sample, commands: Sequence[Command]) -> None:
        lifted = any(
            alarm.suppression_ends is not None and alarm.suppression_ends <= sample.t and not self.restless(alarm)
            for alarm in self.alarms
        )
        if lifted or (self.out_ends is not None and self.out_ends <= sample.t):
            self.fresh = sample.t
        super().take(sample, commands)

    def restless(self, alarm: Alarm) -> bool:
        return alarm.config.kind is AlarmKind.RATE_OF_CHANGE

    def carry_out(self, command: Command) -> None:
        super().carry_out(command)
        if command.kind is CommandKind.CALIBRATE:
            self.fresh = self.t
            for alarm in self.alarms:
                alarm.since = None if alarm.config.kind.is_ph else alarm.since
            for past in self.past.values():
                past.kept, past.lowest, past.armed, past.before = [], None, False, None

    def mark(self, command: Command) -> None:
        self.journal.append((self.seq, Cause.MARKED, "", command.by))
        seconds, now = command.duration_s, self.t
        if command.note == "probe-in":
            self.out_ends = None
            for alarm in self.alarms:
                still = self.restless(alarm) and now < self.unsettled[1]
                if alarm.suppression_ends is not None and not still:
                    alarm.suppression_ends, self.fresh = now, now
                elif alarm.suppression_ends is not None:
                    alarm.suppression_ends = self.unsettled[1]
            self.end_suppressions()
            self.fresh = now if self.is_lost else self.fresh
            self.is_lost = False
        elif command.note == "started":
            if seconds is not None and not 0 <= seconds <= LONGEST_AGO_S:
                raise Refused
            self.started, self.fresh = now - round((seconds or 0.0) * 1e6), now
            self.past, self.unsettled = {}, (0, 0)
            for alarm in self.alarms:
                alarm.since = None if alarm.config.kind in LOOKING else alarm.since
        elif command.note == "ended":
            self.started, self.fresh, self.past = None, now, {}
            for alarm in self.alarms:
                alarm.since = None if alarm.config.kind in LOOKING else alarm.since
        else:
            self.suspend(command)

    def suspend(self, command: Command) -> None:
        usual = {"probe-out": self.vat.probe_out_s, "stirred": self.vat.unsettled_s, "topped-up": self.vat.unsettled_s}
        if command.note not in usual:
            raise Refused
        seconds = usual[command.note] if command.duration_s is None else command.duration_s
        if seconds <= 0 or seconds > self.vat.max_shelve_s:
            raise Refused
        until = self.t + round(seconds * 1e6)
        for alarm in self.alarms:
            if command.note == "probe-out" or self.restless(alarm):
                longest = max(until, self.unsettled[1]) if self.restless(alarm) else until
                if command.note != "probe-out":
                    longest = max(longest, alarm.suppression_ends or 0)
                before, alarm.suppression_ends, alarm.timer = alarm.shown, longest, None
                self.tell(alarm, Cause.SUPPRESSED, before, by=command.by)
        if command.note == "probe-out":
            self.out_ends = until
            return
        since, last = self.unsettled
        self.unsettled = (since, max(last, until)) if last > self.t else (self.t, until)
        for alarm in self.alarms:
            past = self.past.setdefault(alarm.config.id, Past())
            if command.note == "topped-up" and past.kept and past.before is None:
                past.before = past.level()
            if command.note == "stirred" and alarm.config.kind is AlarmKind.EARLY_RISE:
                past.kept, past.before = [], None


LOOKING = (
    *(AlarmKind.RATE_OF_CHANGE, AlarmKind.RISE, AlarmKind.EARLY_RISE),
    *(AlarmKind.NO_START, AlarmKind.STALL, AlarmKind.FALL_BROKE_OFF),
)


def carry(vat: VatConfig, probe: ProbeConfig, samples: Sequence[Sample], commands: Sequence[Command]) -> list[Told]:
    """Return the journal that a night should give."""
    oracle = BatchOracle(vat=vat, probe=probe, alarms=[Alarm(config=config) for config in vat.alarms])
    for sample in samples:
        oracle.take(sample, [c for c in commands if c.seq == sample.seq])
    return oracle.journal
