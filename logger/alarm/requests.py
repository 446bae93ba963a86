"""Apply what a person asks of the alarms of a vat, between two records.

Law: a request is applied whole or refused with a sentence; an acknowledgement or a shelving carries the occurrence it
means (none: the present one), so a late one never silences the next occurrence; asking twice changes nothing. A
shelving always ends by itself.
"""

from logger.alarm import lifecycle, suppression
from logger.alarm.evaluate import entry_of
from logger.alarm.lifecycle import Now, Transition, Trigger
from logger.alarm.suppression import Alarms, signed, vat_entry
from logger.config import AlarmConfig, VatConfig
from logger.errors import RefusedError
from logger.model import AlarmState, Cause, Command, CommandKind, Entry
from logger.structs import replace
from logger.units import SECOND_US


def apply(
    vat: VatConfig, alarms: Alarms, command: Command, *, seq: int, now: Now, unsettled_until_us: int = 0
) -> tuple[Alarms, list[Entry], str]:
    """Apply a command; return the new states, the journal entries and the answer. Raises RefusedError.

    Its figures are those of `model/figures.py`: the caller has asked.
    `unsettled_until_us`: the watch time until which the vat is unsettled by stirring or topping up.
    """
    if command.kind is CommandKind.NOTE:
        return alarms, [vat_entry(vat, command, Cause.NOTED, seq=seq, now=now)], "noted"
    if command.kind is CommandKind.MARK:
        return suppression.apply_mark(vat, alarms, command, seq=seq, now=now, unsettled_until_us=unsettled_until_us)
    if command.kind is CommandKind.ATTEND:
        return suppression.suspend_for_work(vat, alarms, command, seq=seq, now=now)
    if command.kind is CommandKind.LEAVE:
        text = command.note or "the probe is back in the vat"
        entry = replace(vat_entry(vat, command, Cause.LEFT, seq=seq, now=now), text=text)
        states, lifted = suppression.end_suppressions(
            vat, alarms, seq=seq, now=now, unsettled_until_us=unsettled_until_us
        )
        return states, [entry, *lifted], suppression.WATCHED_AGAIN
    if command.kind not in _REQUESTS:
        raise RefusedError(f"'{command.kind}' is no request to the alarms of a vat")
    alarm = next((a for a in vat.alarms if a.id == command.alarm), None)
    if alarm is None:
        alarm_by_id = ", ".join(a.id for a in vat.alarms)
        raise RefusedError(f"vat {vat.id} has no alarm '{command.alarm}'; it has: {alarm_by_id}")
    state, step, answer = _REQUESTS[command.kind](vat, alarm, alarms.get(alarm.id, AlarmState()), command, now)
    entries = [] if step is None else [_signed(entry_of(vat.id, alarm, state, step, seq=seq, now=now), command)]
    return {**alarms, alarm.id: state}, entries, answer


def release(vat: VatConfig, alarms: Alarms, *, seq: int, now: Now) -> tuple[Alarms, list[Entry]]:
    """Let out whatever quiet hours held and now do not hold any more."""
    if not any(state.held for state in alarms.values()):  # nearly always
        return alarms, []
    entries: list[Entry] = []
    states = dict(alarms)
    for alarm in vat.alarms:
        if alarm.id in states and states[alarm.id].held:
            states[alarm.id], step = lifecycle.release(states[alarm.id], alarm, now=now)
            entries += [entry_of(vat.id, alarm, states[alarm.id], step, seq=seq, now=now)] if step else []
    return states, entries


def _acknowledge(
    _: VatConfig, alarm: AlarmConfig, state: AlarmState, command: Command, now: Now
) -> tuple[AlarmState, Transition | None, str]:
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
) -> tuple[AlarmState, Transition | None, str]:
    after, step = lifecycle.advance(state, alarm, trigger=Trigger.RESET, now=now)
    return after, step, "reset" if step else f"nothing to reset: the alarm is {state.shown}"


def _shelve(
    vat: VatConfig, alarm: AlarmConfig, state: AlarmState, command: Command, now: Now
) -> tuple[AlarmState, Transition | None, str]:
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
) -> tuple[AlarmState, Transition | None, str]:
    after, step = lifecycle.unshelve(state, alarm, expired=False, now=now)
    return after, step, "unshelved" if step else "it was not shelved"


def _out_of_service(
    _: VatConfig, __: AlarmConfig, state: AlarmState, ___: Command, now: Now
) -> tuple[AlarmState, Transition | None, str]:
    if state.out_of_service:
        return state, None, "it is out of service already"
    after, step = lifecycle.take_out_of_service(state, now=now)
    return after, step, "out of service until it is returned to service"


def _return_to_service(
    _: VatConfig, alarm: AlarmConfig, state: AlarmState, __: Command, now: Now
) -> tuple[AlarmState, Transition | None, str]:
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


def _signed(entry: Entry, command: Command) -> Entry:
    """Say who asked, and why."""
    return replace(signed(entry, command), text=f"{entry.text} ({command.note})" if command.note else entry.text)
