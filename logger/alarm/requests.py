"""What a person may ask of the alarms of a vat, applied between two records.

Law: a request is applied whole or refused with a sentence; an acknowledgement or a shelving carries the occurrence it
means (none: the present one), so a late one never silences the next occurrence; asking twice changes nothing. A
shelving always ends by itself.
"""

from collections.abc import Mapping
from dataclasses import replace

from logger.alarm import lifecycle
from logger.alarm.evaluate import entry_of
from logger.alarm.lifecycle import Now, Step, Trigger
from logger.config import AlarmConfig, VatConfig
from logger.errors import RefusedError
from logger.model import AlarmState, Cause, Command, CommandKind, Entry

SECOND_US = 1_000_000
ATTEND_S = 900.0
"""How long work on the probe suspends process alarms unless it says otherwise. [CP]"""
Alarms = Mapping[str, AlarmState]


def apply(vat: VatConfig, alarms: Alarms, command: Command, *, seq: int, now: Now) -> tuple[Alarms, list[Entry], str]:
    """Apply a command; return the new states, the journal entries and the answer. Raises RefusedError."""
    if command.kind is CommandKind.NOTE:
        return alarms, [_vat_entry(vat, command, Cause.NOTED, seq=seq, now=now)], "noted"
    if command.kind is CommandKind.MARK:
        return _mark(vat, alarms, command, seq=seq, now=now)
    if command.kind is CommandKind.ATTEND:
        return _attend(vat, alarms, command, seq=seq, now=now)
    if command.kind is CommandKind.LEAVE:
        text = command.note or "the probe is back in the vat"
        entry = replace(_vat_entry(vat, command, Cause.LEFT, seq=seq, now=now), text=text)
        states, lifted = _back(vat, alarms, seq=seq, now=now)
        return states, [entry, *lifted], _WATCHED_AGAIN
    if command.kind not in _REQUESTS:
        raise RefusedError(f"'{command.kind}' is no request to the alarms of a vat")
    alarm = next((a for a in vat.alarms if a.id == command.alarm), None)
    if alarm is None:
        known = ", ".join(a.id for a in vat.alarms)
        raise RefusedError(f"vat {vat.id} has no alarm '{command.alarm}'; it has: {known}")
    state, step, answer = _REQUESTS[command.kind](vat, alarm, alarms.get(alarm.id, AlarmState()), command, now)
    entries = [] if step is None else [_signed(entry_of(vat.id, alarm, state, step, seq=seq, now=now), command)]
    return {**alarms, alarm.id: state}, entries, answer


def lift_suppressions(vat: VatConfig, alarms: Alarms, *, seq: int, now: Now) -> tuple[Alarms, list[Entry]]:
    """Watch again whatever was suppressed until now at the latest."""
    entries: list[Entry] = []
    states = dict(alarms)
    for alarm in vat.alarms:
        state = states.get(alarm.id, AlarmState())
        if state.suppressed_until_us is not None and state.suppressed_until_us <= now.elapsed_us:
            states[alarm.id], step = lifecycle.unsuppress(state, alarm, now=now)
            entries += [entry_of(vat.id, alarm, states[alarm.id], step, seq=seq, now=now)] if step else []
    return states, entries


def release(vat: VatConfig, alarms: Alarms, *, seq: int, now: Now) -> tuple[Alarms, list[Entry]]:
    """Let out whatever quiet hours held and now do not hold any more."""
    entries: list[Entry] = []
    states = dict(alarms)
    for alarm in vat.alarms:
        if alarm.id in states and states[alarm.id].held:
            states[alarm.id], step = lifecycle.release(states[alarm.id], alarm, now=now)
            entries += [entry_of(vat.id, alarm, states[alarm.id], step, seq=seq, now=now)] if step else []
    return states, entries


def _acknowledge(
    _: VatConfig, alarm: AlarmConfig, state: AlarmState, command: Command, now: Now
) -> tuple[AlarmState, Step | None, str]:
    _check_occurrence(alarm, state, command)
    after, step = lifecycle.advance(state, alarm, trigger=Trigger.ACKNOWLEDGE, now=now)
    return after, step, "acknowledged" if step else f"nothing to acknowledge: the alarm is {state.shown}"


def _check_occurrence(alarm: AlarmConfig, state: AlarmState, command: Command) -> None:
    """Refuse what a person asked about another occurrence than the present one; none named is the present one."""
    wanted = command.occurrence
    if wanted not in (None, state.occurrence):
        raise RefusedError(f"occurrence {wanted} of {alarm.id} is not the present one, which is {state.occurrence}")


def _reset(
    _: VatConfig, alarm: AlarmConfig, state: AlarmState, __: Command, now: Now
) -> tuple[AlarmState, Step | None, str]:
    after, step = lifecycle.advance(state, alarm, trigger=Trigger.RESET, now=now)
    return after, step, "reset" if step else f"nothing to reset: the alarm is {state.shown}"


def _shelve(
    vat: VatConfig, alarm: AlarmConfig, state: AlarmState, command: Command, now: Now
) -> tuple[AlarmState, Step | None, str]:
    _check_occurrence(alarm, state, command)
    seconds = vat.max_shelve_s if command.duration_s is None else command.duration_s
    if not 0 < seconds <= vat.max_shelve_s:
        raise RefusedError(
            f"shelving for {seconds / 60:g} min is not possible: it must be over 0 and at most"
            f" {vat.max_shelve_s / 60:g} min (max_shelve_s of vat {vat.id})"
        )
    after, step = lifecycle.shelve(state, until_us=now.elapsed_us + round(seconds * SECOND_US), now=now)
    return after, step, f"shelved for {round(seconds / 60)} min"


def _unshelve(
    _: VatConfig, alarm: AlarmConfig, state: AlarmState, __: Command, now: Now
) -> tuple[AlarmState, Step | None, str]:
    after, step = lifecycle.unshelve(state, alarm, expired=False, now=now)
    return after, step, "unshelved" if step else "it was not shelved"


def _out_of_service(
    _: VatConfig, __: AlarmConfig, state: AlarmState, ___: Command, now: Now
) -> tuple[AlarmState, Step | None, str]:
    if state.out_of_service:
        return state, None, "it is out of service already"
    after, step = lifecycle.take_out_of_service(state, now=now)
    return after, step, "out of service until it is returned to service"


def _return_to_service(
    _: VatConfig, alarm: AlarmConfig, state: AlarmState, __: Command, now: Now
) -> tuple[AlarmState, Step | None, str]:
    after, step = lifecycle.return_to_service(state, alarm, now=now)
    return after, step, "returned to service" if step else "it was in service"


_REQUESTS = {
    CommandKind.ACKNOWLEDGE: _acknowledge,
    CommandKind.RESET: _reset,
    CommandKind.SHELVE: _shelve,
    CommandKind.UNSHELVE: _unshelve,
    CommandKind.OUT_OF_SERVICE: _out_of_service,
    CommandKind.RETURN_TO_SERVICE: _return_to_service,
}


_WATCHED_AGAIN = "process alarms watch again, their delays start anew"


def attended_until_us(vat: VatConfig, command: Command, *, now: Now) -> int:
    """Return the watch time until which somebody works on the probe. Raises RefusedError for a length of no use."""
    seconds = ATTEND_S if command.duration_s is None else command.duration_s
    if not 0 < seconds <= vat.max_shelve_s:
        raise RefusedError(
            f"work on the probe must last over 0 and at most {vat.max_shelve_s / 60:g} min, not {seconds / 60:g}: ask"
            " again when the time is nearly over"
        )
    return now.elapsed_us + round(seconds * SECOND_US)


def _attend(vat: VatConfig, alarms: Alarms, command: Command, *, seq: int, now: Now) -> tuple[Alarms, list[Entry], str]:
    """Suspend the process alarms while somebody works on the probe; asked again, only the end moves."""
    until = attended_until_us(vat, command, now=now)
    text = f"somebody works on the probe, for at most {round((until - now.elapsed_us) / 60 / SECOND_US)} min"
    said = f"{text} ({command.note})" if command.note else text
    entries = [replace(_vat_entry(vat, command, Cause.ATTENDED, seq=seq, now=now), text=said)]
    states = dict(alarms)
    for alarm in vat.alarms:
        state = states.get(alarm.id, AlarmState())
        if alarm.kind.is_suspended and state.suppressed_until_us is None:
            states[alarm.id], step = lifecycle.suppress(state, until_us=until, now=now)
            entry = _signed(entry_of(vat.id, alarm, states[alarm.id], step, seq=seq, now=now), command)
            entries.append(replace(entry, text="suspended while somebody works on the probe"))
        elif state.suppressed_until_us is not None:
            states[alarm.id] = replace(state, suppressed_until_us=max(until, state.suppressed_until_us))
    return states, entries, f"{text}; process alarms are suspended meanwhile"


def _back(vat: VatConfig, alarms: Alarms, *, seq: int, now: Now) -> tuple[Alarms, list[Entry]]:
    """End every suppression: the probe is in its vat."""
    ended = {
        name: replace(state, suppressed_until_us=state.suppressed_until_us and now.elapsed_us)
        for name, state in alarms.items()
    }
    return lift_suppressions(vat, ended, seq=seq, now=now)


def _mark(vat: VatConfig, alarms: Alarms, command: Command, *, seq: int, now: Now) -> tuple[Alarms, list[Entry], str]:
    """Suspend the process alarms while the probe is out of the vat, or end that."""
    entries = [_vat_entry(vat, command, Cause.MARKED, seq=seq, now=now)]
    if command.note == "probe-in":
        states, lifted = _back(vat, alarms, seq=seq, now=now)
        return states, [*entries, *lifted], _WATCHED_AGAIN
    if command.note != "probe-out":
        raise RefusedError(f"unknown mark '{command.note}': probe-out or probe-in")
    seconds = vat.probe_out_s if command.duration_s is None else command.duration_s
    if not 0 < seconds <= vat.max_shelve_s:
        raise RefusedError(f"a mark must last over 0 and at most {vat.max_shelve_s / 60:g} min, not {seconds / 60:g}")
    marked = dict(alarms)
    for alarm in vat.alarms:
        if alarm.kind.is_suspended:
            state = marked.get(alarm.id, AlarmState())
            until = now.elapsed_us + round(seconds * SECOND_US)
            marked[alarm.id], step = lifecycle.suppress(state, until_us=until, now=now)
            entries.append(_signed(entry_of(vat.id, alarm, marked[alarm.id], step, seq=seq, now=now), command))
    return marked, entries, f"process alarms suspended for {round(seconds / 60)} min"


def _vat_entry(vat: VatConfig, command: Command, cause: Cause, *, seq: int, now: Now) -> Entry:
    return Entry(seq=seq, at_us=now.at_us, vat=vat.id, cause=cause, by=command.by, text=command.note)


def _signed(entry: Entry, command: Command) -> Entry:
    """Say who asked, and why."""
    text = f"{entry.text} ({command.note})" if command.note and command.kind is not CommandKind.MARK else entry.text
    return replace(entry, by=command.by, text=text)
