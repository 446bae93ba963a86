"""An independent reading of the alarm rules: one sample at a time, plain Python, slow and simple.

It shares nothing with `logger` but the frozen words (configuration, commands, states, causes), and only knows alarms on
single records (window 0). A journal entry is told as a tuple, so that a difference shows itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from logger.config import AlarmConfig, AlarmKind, ProbeConfig, VatConfig
from logger.model import Calibration, Cause, Command, CommandKind, State
from tests.alarm.oracle_words import ABNORMAL, BACK, BETWEEN, LATER, SAY_NOTHING, Alarm, Refused, Sample, Told


@dataclass(kw_only=True)
class Oracle:
    """A watch, carried over samples one by one."""

    vat: VatConfig
    probe: ProbeConfig
    alarms: list[Alarm] = field(default_factory=list)
    line: Calibration | None = None
    last_mv: float | None = None
    last_mv_t: int = 0
    seq: int = 0
    t: int = 0
    out_ends: int | None = None
    is_lost: bool = False
    """The mark probe-out has run out, and nobody said probe-in."""
    journal: list[Told] = field(default_factory=list)
    answers: list[tuple[int, int, bool]] = field(default_factory=list)

    # --- the path of one sample

    def take(self, sample: Sample, commands: Sequence[Command]) -> None:
        self.seq, self.t = sample.seq, sample.t
        if self.out_ends is not None and self.out_ends <= self.t:
            self.journal.append((self.seq, Cause.LEFT, "", ""))
            self.out_ends = None
            self.lose()
        self.end_suppressions()
        for command in sorted(commands, key=lambda c: c.id):
            self.obey(command)
        ph, belief = self.look(sample)
        for alarm in self.alarms:
            self.timers(alarm)
            self.judge(alarm, sample, ph, belief)

    def lose(self) -> None:
        """Nobody knows where the probe is: trust that is lost already is lost anew."""
        for alarm in self.alarms:
            if alarm.config.kind is AlarmKind.TRUST_LOST and not self.is_lost:
                alarm.base = self.cleared(alarm)
                alarm.abnormal, alarm.since, alarm.timer = False, None, None
        self.is_lost = True

    @property
    def is_away(self) -> bool:
        return self.out_ends is not None or self.is_lost

    def look(self, sample: Sample) -> tuple[float | None, str]:
        """Return pH and whether it is believed, doubtful or silent."""
        limits = self.probe.limits
        mv, c = sample.mv, sample.c
        if mv is None:
            return None, "silent"
        step, seconds = None, 0.0
        if self.last_mv is not None and (sample.t - self.last_mv_t) / 1e6 <= limits.max_gap_s:
            step, seconds = abs(mv - self.last_mv), (sample.t - self.last_mv_t) / 1e6
        self.last_mv, self.last_mv_t = mv, sample.t
        erratic = step is not None and (step > limits.jump_mv or step > limits.rate_mv_per_s * seconds)
        failed = mv < limits.fail_low_mv or mv > limits.fail_high_mv or not self.is_warmth(c)
        if failed or self.line is None or c is None:
            return None, "silent"
        k = 8.31446261815324 * 2.302585092994046 / 96485.33212331002 * 1000.0 * (c + 273.15)
        ph = 7.0 - (mv - self.line.offset_mv) / (self.line.slope * k)
        if erratic or self.is_away:
            return ph, "silent"
        return ph, "doubtful" if mv < limits.suspect_low_mv or mv > limits.suspect_high_mv else "believed"

    def is_warmth(self, c: float | None) -> bool:
        return c is not None and self.probe.limits.fail_low_c <= c <= self.probe.limits.fail_high_c

    # --- conditions

    def judge(self, alarm: Alarm, sample: Sample, ph: float | None, belief: str) -> None:
        kind = alarm.config.kind
        value: float | None = None
        if kind is AlarmKind.NO_DATA:
            says = ABNORMAL if sample.mv is None else BACK
        elif kind is AlarmKind.BLIND:
            is_known = sample.mv is None or self.is_away or self.line is None
            says = SAY_NOTHING if is_known else BACK if belief == "believed" else ABNORMAL
        elif kind is AlarmKind.TRUST_LOST:
            says = BACK if sample.mv is not None and self.out_ends is None else SAY_NOTHING
            says = ABNORMAL if self.is_lost else says
        elif kind in (AlarmKind.PH_HIGH, AlarmKind.PH_LOW):
            value = ph
            says = self.compare(alarm.config, ph, belief)
        else:
            is_of_the_vat = sample.mv is not None and self.is_warmth(sample.c) and not self.is_away
            value = sample.c if is_of_the_vat else None
            says = self.compare(alarm.config, value, "believed")
        if says != SAY_NOTHING:
            self.delay(alarm, says, value)
            alarm.newest = value

    def compare(self, config: AlarmConfig, value: float | None, belief: str) -> str:
        if value is None or belief == "silent":
            return SAY_NOTHING
        assert config.setpoint is not None
        is_low = config.kind in (AlarmKind.PH_LOW, AlarmKind.TEMPERATURE_LOW)
        if (value <= config.setpoint) if is_low else (value >= config.setpoint):
            return ABNORMAL
        if belief == "doubtful":
            return SAY_NOTHING
        if is_low:
            return BACK if value >= config.setpoint + config.deadband else BETWEEN
        return BACK if value <= config.setpoint - config.deadband else BETWEEN

    def patience_s(self, _: Alarm) -> float:
        return self.probe.limits.max_gap_s

    def delay(self, alarm: Alarm, says: str, value: float | None) -> None:
        gap = alarm.heard is not None and self.t - alarm.heard > round(self.patience_s(alarm) * 1e6)
        alarm.heard = self.t
        if says != (BACK if alarm.abnormal else ABNORMAL):
            alarm.since = None
            return
        if alarm.since is not None and gap:
            if not alarm.abnormal:
                self.tell(alarm, Cause.DELAY_RESTARTED, alarm.shown, value=value)
            alarm.since = None
        if alarm.since is None:
            alarm.since = self.t
        wait = alarm.config.off_delay_s if alarm.abnormal else alarm.config.on_delay_s
        if self.t - alarm.since < round(wait * 1e6):
            return
        alarm.since, alarm.abnormal = None, not alarm.abnormal
        if alarm.abnormal:
            self.activate(alarm, value)
        else:
            self.clear(alarm, value)

    # --- the table

    def activate(self, alarm: Alarm, value: float | None) -> None:
        if not alarm.covered and alarm.base not in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED):
            alarm.value = value if value is not None else alarm.value
            self.annunciate(alarm, Cause.ANNUNCIATED, alarm.base)

    def clear(self, alarm: Alarm, value: float | None) -> None:
        before = alarm.shown
        after = self.cleared(alarm)
        if after == alarm.base:
            return
        alarm.base = after
        if not alarm.covered:
            alarm.timer = None
            self.tell(alarm, Cause.RETURNED, before, value=value)

    def cleared(self, alarm: Alarm) -> State:
        """Column CLR."""
        latching = alarm.config.latching
        if alarm.base is State.UNACKNOWLEDGED:
            return State.LATCHED_UNACKNOWLEDGED if latching else State.RETURNED
        if alarm.base is State.ACKNOWLEDGED:
            return State.LATCHED_ACKNOWLEDGED if latching else State.NORMAL
        return alarm.base

    def annunciate(self, alarm: Alarm, cause: Cause, before: State) -> None:
        alarm.base = State.UNACKNOWLEDGED
        alarm.occurrence += 1
        alarm.reminders = 0
        if cause in LATER and alarm.newest is not None:
            alarm.value = alarm.newest
        alarm.timer = self.after(alarm.config.reminder_s)
        self.tell(alarm, cause, before, loud=True)

    def timers(self, alarm: Alarm) -> None:
        if alarm.shelf_ends is not None and alarm.shelf_ends <= self.t:
            before, alarm.shelf_ends = alarm.shown, None
            self.uncover(alarm, Cause.SHELF_EXPIRED, before)
        elif alarm.timer is not None and alarm.timer <= self.t and not alarm.covered:
            if alarm.base is State.ACKNOWLEDGED:
                self.annunciate(alarm, Cause.REALARM, State.ACKNOWLEDGED)
            else:
                alarm.reminders += 1
                alarm.timer = self.after(alarm.config.reminder_s)
                self.tell(alarm, Cause.REMINDER, alarm.shown)

    def after(self, seconds: float | None) -> int | None:
        return None if seconds is None else self.t + round(seconds * 1e6)

    # --- covers

    def uncover(self, alarm: Alarm, cause: Cause, before: State) -> None:
        if alarm.covered:
            self.tell(alarm, cause, before)
        elif alarm.abnormal:
            self.annunciate(alarm, cause, before)
        else:
            alarm.timer = None
            self.tell(alarm, cause, before)

    def end_suppressions(self, *, now: bool = False) -> None:
        for alarm in self.alarms:
            if alarm.suppression_ends is not None and (now or alarm.suppression_ends <= self.t):
                before, alarm.suppression_ends = alarm.shown, None
                alarm.base = self.cleared(alarm)
                alarm.abnormal, alarm.since = False, None
                self.uncover(alarm, Cause.UNSUPPRESSED, before)

    # --- commands

    def obey(self, command: Command) -> None:
        length = len(self.journal)
        try:
            self.carry_out(command)
            applied = True
        except Refused:
            del self.journal[length:]
            self.journal.append((self.seq, Cause.REFUSED, command.alarm, command.by))
            applied = False
        self.answers.append((command.id, self.seq, applied))

    def carry_out(self, command: Command) -> None:
        if command.kind is CommandKind.NOTE:
            self.journal.append((self.seq, Cause.NOTED, "", command.by))
        elif command.kind is CommandKind.CALIBRATE:
            self.line = command.calibration
            for alarm in self.alarms:
                if alarm.config.kind in (AlarmKind.PH_HIGH, AlarmKind.PH_LOW):
                    alarm.since = None
            signed = command.by or (command.calibration.by if command.calibration else "")
            self.journal.append((self.seq, Cause.CALIBRATED, "", signed))
        elif command.kind is CommandKind.MARK:
            self.mark(command)
        else:
            found = [alarm for alarm in self.alarms if alarm.config.id == command.alarm]
            if not found:
                raise Refused
            self.request(found[0], command)

    def mark(self, command: Command) -> None:
        self.journal.append((self.seq, Cause.MARKED, "", command.by))
        if command.note == "probe-in":
            self.out_ends = None
            self.end_suppressions(now=True)
            self.is_lost = False
            return
        if command.note == "started" and not (command.duration_s or 0.0) > 60 * 24 * 3600.0:
            return
        seconds = self.vat.probe_out_s if command.duration_s is None else command.duration_s
        if seconds <= 0 or seconds > self.vat.max_shelve_s or command.note not in ("probe-out", "stirred", "topped-up"):
            raise Refused
        if command.note != "probe-out":
            return
        self.out_ends = self.after(seconds)
        for alarm in self.alarms:
            if alarm.config.kind not in (AlarmKind.NO_DATA, AlarmKind.BLIND, AlarmKind.TRUST_LOST):
                before, alarm.suppression_ends, alarm.timer = alarm.shown, self.after(seconds), None
                self.tell(alarm, Cause.SUPPRESSED, before, by=command.by)

    def request(self, alarm: Alarm, command: Command) -> None:
        before, kind = alarm.shown, command.kind
        if kind is CommandKind.ACKNOWLEDGE:
            self.acknowledge(alarm, command)
        elif kind is CommandKind.RESET:
            if alarm.base is State.LATCHED_ACKNOWLEDGED:
                alarm.base = State.NORMAL
                self.tell(alarm, Cause.RESET, before, by=command.by)
        elif kind is CommandKind.SHELVE:
            seconds = self.vat.max_shelve_s if command.duration_s is None else command.duration_s
            is_late = command.occurrence is not None and command.occurrence != alarm.occurrence
            if is_late or seconds <= 0 or seconds > self.vat.max_shelve_s:
                raise Refused
            alarm.shelf_ends, alarm.timer = self.after(seconds), None
            self.tell(alarm, Cause.SHELVED, before, by=command.by)
        elif kind is CommandKind.UNSHELVE and alarm.shelf_ends is not None:
            alarm.shelf_ends = None
            self.uncover_for(alarm, Cause.UNSHELVED, before, command.by)
        elif kind is CommandKind.OUT_OF_SERVICE and not alarm.out:
            alarm.out, alarm.timer = True, None
            self.tell(alarm, Cause.OUT_OF_SERVICE, before, by=command.by)
        elif kind is CommandKind.RETURN_TO_SERVICE and alarm.out:
            alarm.out = False
            self.uncover_for(alarm, Cause.RETURNED_TO_SERVICE, before, command.by)

    def uncover_for(self, alarm: Alarm, cause: Cause, before: State, by: str) -> None:
        self.uncover(alarm, cause, before)
        self.journal[-1] = (*self.journal[-1][:-1], by)

    def acknowledge(self, alarm: Alarm, command: Command) -> None:
        if command.occurrence is not None and command.occurrence != alarm.occurrence:
            raise Refused
        before = alarm.shown
        after = {
            State.UNACKNOWLEDGED: State.ACKNOWLEDGED,
            State.RETURNED: State.NORMAL,
            State.LATCHED_UNACKNOWLEDGED: State.LATCHED_ACKNOWLEDGED,
        }.get(alarm.base)
        if after is None:
            return
        alarm.base = after
        if not alarm.covered:
            alarm.timer = self.after(alarm.config.realarm_s) if after is State.ACKNOWLEDGED else None
        self.tell(alarm, Cause.ACKNOWLEDGED, before, by=command.by)

    # --- the journal

    def tell(
        self,
        alarm: Alarm,
        cause: Cause,
        before: State,
        *,
        loud: bool = False,
        value: float | None = None,
        by: str = "",
    ) -> None:
        told_later = alarm.newest if cause in LATER else None
        shown = next((each for each in (value, told_later, alarm.value) if each is not None), None)
        rounded = None if shown is None else round(shown, 6)
        self.journal.append(
            (
                self.seq,
                cause,
                alarm.config.id,
                alarm.occurrence,
                before,
                alarm.shown,
                loud,
                rounded,
                alarm.reminders,
                by,
            )
        )


def carry(
    vat: VatConfig, probe: ProbeConfig, samples: Sequence[Sample], commands: Sequence[Command]
) -> tuple[list[Told], list[tuple[int, int, bool]]]:
    """Return the journal and the answers (command, record, applied) that a night should give."""
    oracle = Oracle(vat=vat, probe=probe, alarms=[Alarm(config=config) for config in vat.alarms])
    assert all(b.seq == a.seq + 1 and b.t >= a.t for a, b in pairwise(samples))
    for sample in samples:
        oracle.take(sample, [c for c in commands if c.seq == sample.seq])
    return oracle.journal, oracle.answers
