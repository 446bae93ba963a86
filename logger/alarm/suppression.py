"""Suspend alarms while somebody works at the vat: marks, and work on the probe.

Law: pure; a mark is applied whole or refused with a sentence. Every suspension ends by itself, and the delays start
anew after it. Work on the probe never cuts short what stirring or topping up suspends. Work that ends without the word
that the probe is back leaves it not back (`Carry.not_back_us`), until somebody gives that word: no time ends it.

What is read while somebody works on the probe is not believed of the vat (`ATTENDED`): it may be a buffer. A session
that is broken off leaves the probe not back; `trust-lost` tells it at once, high, with reminders. A probe that comes
back does not end what stirring suspends. A lowest that topping up set anew, in place of moving it, would hide a slow
rise of a vat that is topped up daily.
"""

from collections.abc import Mapping

from logger.alarm import lifecycle
from logger.alarm.evaluate import entry_of
from logger.alarm.lifecycle import Now
from logger.config import AlarmConfig, AlarmKind, VatConfig
from logger.errors import RefusedError
from logger.model import AlarmState, Cause, Command, Entry, Mark
from logger.structs import replace
from logger.units import SECOND_US

ATTEND_S = 900.0
"""How long work on the probe suspends process alarms unless it says otherwise. Common practice, no source."""
WATCHED_AGAIN = "process alarms watch again, their delays start anew"
BROKEN_OFF = "the work on the probe was broken off and nobody said that it is back: the alarms stay held until then"
TIME_OVER = "the time for work on the probe is over and nobody said that it is back: look whether it is in the vat"
MARK_OVER = "the mark probe-out has run out and nobody said probe-in: look whether it is back in the vat"
HELD = "not suspended any more, but held until somebody says that the probe is back"
Alarms = Mapping[str, AlarmState]


def lift_suppressions(vat: VatConfig, alarms: Alarms, *, seq: int, now: Now) -> tuple[Alarms, list[Entry]]:
    """Watch again whatever was suppressed until now at the latest."""
    ends = {name: state.suppressed_until_us for name, state in alarms.items() if state.suppressed_until_us is not None}
    if not ends:  # nearly always
        return alarms, []
    entries: list[Entry] = []
    states = dict(alarms)
    for alarm in vat.alarms:
        if alarm.id in ends and ends[alarm.id] <= now.elapsed_us:
            states[alarm.id], step = lifecycle.unsuppress(states[alarm.id], alarm, now=now)
            entries += [entry_of(vat.id, alarm, states[alarm.id], step, seq=seq, now=now)] if step else []
    return states, entries


def attended_until_us(vat: VatConfig, command: Command, *, now: Now) -> int:
    """Return the watch time until which somebody works on the probe. Raises RefusedError for a length of no use."""
    seconds = ATTEND_S if command.duration_s is None else command.duration_s
    if not 0 < seconds <= vat.max_shelve_s:
        raise RefusedError(
            f"work on the probe must last over 0 and at most {vat.max_shelve_s / 60:g} min, not {seconds / 60:g}: ask"
            " again when the time is nearly over"
        )
    return now.elapsed_us + round(seconds * SECOND_US)


def suspend_for_work(
    vat: VatConfig, alarms: Alarms, command: Command, *, seq: int, now: Now
) -> tuple[Alarms, list[Entry], str]:
    """Suspend the process alarms while somebody works on the probe; asked again, only the end moves."""
    until_us = attended_until_us(vat, command, now=now)
    text = f"somebody works on the probe, for at most {round((until_us - now.elapsed_us) / 60 / SECOND_US)} min"
    journal_text = f"{text} ({command.note})" if command.note else text
    entries = [replace(vat_entry(vat, command, Cause.ATTENDED, seq=seq, now=now), text=journal_text)]
    states = dict(alarms)
    for alarm in vat.alarms:
        state = states.get(alarm.id, AlarmState())
        if alarm.kind.is_suspended_by_work and state.suppressed_until_us is None:
            states[alarm.id], step = lifecycle.suppress(state, until_us=until_us, now=now)
            entry = signed(entry_of(vat.id, alarm, states[alarm.id], step, seq=seq, now=now), command)
            entries.append(replace(entry, text="suspended while somebody works on the probe"))
        elif state.suppressed_until_us is not None:
            states[alarm.id] = replace(state, suppressed_until_us=max(until_us, state.suppressed_until_us))
    return states, entries, f"{text}; process alarms are suspended meanwhile"


def end_suppressions(
    vat: VatConfig, alarms: Alarms, *, seq: int, now: Now, unsettled_until_us: int
) -> tuple[Alarms, list[Entry]]:
    """End the suppressions, for the probe is in its vat; but not those of a vat that is still unsettled."""
    until_us = {
        alarm.id: max(now.elapsed_us, unsettled_until_us * alarm.kind.row.is_suspended_by_mixing)
        for alarm in vat.alarms
    }
    ended = {
        name: replace(state, suppressed_until_us=state.suppressed_until_us and until_us.get(name, now.elapsed_us))
        for name, state in alarms.items()
    }
    return lift_suppressions(vat, ended, seq=seq, now=now)


def begin_hold(vat: VatConfig, alarms: Alarms) -> Alarms:
    """Begin to hold: no delay goes on, and `trust-lost` begins a new occurrence, whatever it told before."""
    states = dict(alarms)
    for alarm in (alarm for alarm in vat.alarms if alarm.id in states):
        if alarm.kind is AlarmKind.TRUST_LOST:
            states[alarm.id] = lifecycle.void(states[alarm.id], alarm)
        elif alarm.kind.is_suspended_by_work:
            states[alarm.id] = replace(states[alarm.id], pending_us=None)
    return states


def apply_mark(
    vat: VatConfig, alarms: Alarms, command: Command, *, seq: int, now: Now, unsettled_until_us: int
) -> tuple[Alarms, list[Entry], str]:
    """Take in what was done at the vat: suspend the alarms that cannot judge it meanwhile, or end that."""
    what = check_mark(vat, command)
    entry = replace(vat_entry(vat, command, Cause.MARKED, seq=seq, now=now), text=_mark_text(what, command))
    if what is Mark.STARTED:
        return _restart_trend_delays(vat, alarms), [entry], "what counts from a start counts from there"
    if what is Mark.ENDED:
        return _restart_trend_delays(vat, alarms), [entry], "what counts from a start counts no more"
    if what is Mark.PROBE_IN:
        states, lifted = end_suppressions(vat, alarms, seq=seq, now=now, unsettled_until_us=unsettled_until_us)
        return states, [entry, *lifted], WATCHED_AGAIN
    until = mark_until_us(vat, command, now=now)
    minutes = round((until - now.elapsed_us) / 60 / SECOND_US)
    states, entries = dict(alarms), [entry]
    for alarm in (alarm for alarm in vat.alarms if _concerns(what, alarm)):
        state = states.get(alarm.id, AlarmState())
        longest = max(until, _suspended_until_us(what, alarm, state, unsettled_until_us))
        states[alarm.id], step = lifecycle.suppress(state, until_us=longest, now=now)
        suspended = signed(entry_of(vat.id, alarm, states[alarm.id], step, seq=seq, now=now), command)
        entries.append(suspended if what is Mark.PROBE_OUT else replace(suspended, text=_SETTLES))
    if what is Mark.PROBE_OUT:
        return states, entries, f"process alarms suspended for {minutes} min"
    return states, entries, f"for {minutes} min the rate of change is not judged, and a rise is paused"


_SETTLES = "suspended while the vat settles"


def _concerns(what: Mark, alarm: AlarmConfig) -> bool:
    return alarm.kind.is_suspended_by_work if what is Mark.PROBE_OUT else alarm.kind.row.is_suspended_by_mixing


def _suspended_until_us(what: Mark, alarm: AlarmConfig, state: AlarmState, unsettled_until_us: int) -> int:
    """Return until when it is suspended whatever this mark says: a shorter one cuts no other's time short."""
    if what is Mark.PROBE_OUT:
        return unsettled_until_us if alarm.kind.row.is_suspended_by_mixing else 0
    return max(unsettled_until_us, state.suppressed_until_us or 0)


def check_mark(vat: VatConfig, command: Command) -> Mark:
    """Return which mark a command makes. Raises RefusedError for one that there is not, or that cannot be."""
    if command.note not in set(Mark):
        raise RefusedError(f"unknown mark '{command.note}'; there are: {', '.join(Mark)}")
    what, seconds, litres = Mark(command.note), command.duration_s, command.litres
    if what in _LASTING and seconds is not None and not 0 < seconds <= vat.max_shelve_s:
        raise RefusedError(f"a mark must last over 0 and at most {vat.max_shelve_s / 60:g} min, not {seconds / 60:g}")
    if litres is not None and what is not Mark.TOPPED_UP:
        raise RefusedError(f"litres go with topped-up, not with {what}")
    return what


_LASTING = frozenset({Mark.PROBE_OUT, Mark.STIRRED, Mark.TOPPED_UP})


def mark_until_us(vat: VatConfig, command: Command, *, now: Now) -> int:
    """Return the watch time until which a mark holds."""
    usual_s = vat.probe_out_s if command.note == Mark.PROBE_OUT else vat.unsettled_s
    seconds = min(usual_s, vat.max_shelve_s) if command.duration_s is None else command.duration_s
    return now.elapsed_us + round(seconds * SECOND_US)


def _restart_trend_delays(vat: VatConfig, alarms: Alarms) -> Alarms:
    """Let the delays of the alarms that look back start anew: what they looked at was another batch."""
    looking = {alarm.id for alarm in vat.alarms if alarm.kind.is_trend}
    return {name: replace(state, pending_us=None) if name in looking else state for name, state in alarms.items()}


def _mark_text(what: Mark, command: Command) -> str:
    """Say a mark with its figures."""
    if what is Mark.TOPPED_UP and command.litres is not None:
        return f"{what}, {command.litres:g} L"
    if what is Mark.STARTED and command.duration_s:
        return f"{what}, {command.duration_s / 3600:.3g} h ago"
    return what.value


def vat_entry(vat: VatConfig, command: Command, cause: Cause, *, seq: int, now: Now) -> Entry:
    """Make the journal entry of what was asked of a whole vat."""
    return Entry(seq=seq, at_us=now.at_us, vat=vat.id, cause=cause, by=command.by, text=command.note)


def signed(entry: Entry, command: Command) -> Entry:
    """Say who asked."""
    return replace(entry, by=command.by)
