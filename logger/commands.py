"""What happens between two records of a watch: what is over by its time ends, then commands are applied.

Law: pure; a command is applied whole or refused with a sentence, and a refused one changes nothing but the journal. A
calibration starts pH anew: its drift is unknown, what came before is another scale. A check moves only what is known of
the drift, and only that of the calibration it was made with.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from logger.alarm import requests
from logger.alarm.lifecycle import Now
from logger.config import ProbeConfig, VatConfig
from logger.errors import RefusedError
from logger.measure import drift
from logger.measure.uncertainty import fit_uncertainty
from logger.model import Answer, Calibration, Carry, Cause, Check, Command, CommandKind, Entry, Verdict

BENCH_C = 25.0
"""Temperature of a check that does not tell its own."""


def commands_between(
    vat: VatConfig, probe: ProbeConfig, carry: Carry, commands: Iterable[Command], *, seq: int, now: Now
) -> tuple[Carry, list[Entry], list[Answer]]:
    """End what is over, apply commands, let out what quiet hours held: whoever answered it need not be told.

    Returns the new carry, journal entries and answers.
    """
    carry, entries = _end(vat, carry, seq=seq, now=now)
    answers = []
    for command in commands:
        answer = Answer(command=command.id, seq=seq, applied=True, probe=probe.id)
        try:
            carry, said, text = _apply(vat, probe, carry, command, seq=seq, now=now)
            entries += said
            answers.append(replace(answer, text=text))
        except RefusedError as refused:
            text = f"{command.kind} refused: {refused}"
            entry = _entry(vat, Cause.REFUSED, text, seq=seq, now=now)
            entries.append(replace(entry, alarm=command.alarm, by=command.by))
            answers.append(replace(answer, applied=False, text=str(refused)))
    alarms, released = requests.release(vat, carry.alarms, seq=seq, now=now)
    return replace(carry, alarms=alarms), [*entries, *released], answers


def _end(vat: VatConfig, carry: Carry, *, seq: int, now: Now) -> tuple[Carry, list[Entry]]:
    """End suppressions and work on the probe whose time is over; the windows start anew after them."""
    alarms, entries = requests.lift_suppressions(vat, carry.alarms, seq=seq, now=now)
    until = carry.attended_until_us
    if until is not None and until <= now.elapsed_us:
        text = "the time for work on the probe is over without a word: look whether it is back in the vat"
        entries.insert(0, _entry(vat, Cause.LEFT, text, seq=seq, now=now))
        until = None
    fresh_us = now.elapsed_us if entries else carry.fresh_us
    return replace(carry, alarms=alarms, attended_until_us=until, fresh_us=fresh_us), entries


def _apply(
    vat: VatConfig, probe: ProbeConfig, carry: Carry, command: Command, *, seq: int, now: Now
) -> tuple[Carry, list[Entry], str]:
    if command.kind is CommandKind.CALIBRATE:
        new = _checked_calibration(probe, command)
        text = f"calibration {new.id} in force: slope {new.slope:.1%}, offset {new.offset_mv:+.1f} mV"
        entry = _entry(vat, Cause.CALIBRATED, text, seq=seq, now=now)
        return _anew(vat, carry, new, now=now), [replace(entry, by=command.by or new.by)], text
    if command.kind is CommandKind.CHECK:
        check, line = _checked_check(probe, carry, command)
        after, text = _taken(probe, carry, check, line)
        entry = _entry(vat, Cause.CHECKED, text, seq=seq, now=now)
        return after, [replace(entry, by=command.by or check.by, value=check.reading_ph)], text
    if command.kind is CommandKind.LEAVE and carry.attended_until_us is None:
        return carry, [], "nobody was said to work on the probe"
    alarms, entries, answer = requests.apply(vat, carry.alarms, command, seq=seq, now=now)
    is_back = any(entry.cause in (Cause.UNSUPPRESSED, Cause.LEFT) for entry in entries)
    return (
        replace(
            carry,
            alarms=alarms,
            attended_until_us=_attended_until(vat, carry, command, now=now),
            fresh_us=now.elapsed_us if is_back else carry.fresh_us,
        ),
        entries,
        answer,
    )


def _attended_until(vat: VatConfig, carry: Carry, command: Command, *, now: Now) -> int | None:
    if command.kind is CommandKind.ATTEND:
        return requests.attended_until_us(vat, command, now=now)
    is_back = command.kind is CommandKind.LEAVE or (command.kind is CommandKind.MARK and command.note == "probe-in")
    return None if is_back else carry.attended_until_us


def _checked_calibration(probe: ProbeConfig, command: Command) -> Calibration:
    new = command.calibration
    if new is None:
        raise RefusedError("the command holds no calibration")
    if new.probe != probe.id:
        raise RefusedError(f"calibration {new.id} is of probe {new.probe}, not of {probe.id}")
    if new.verdict is Verdict.REFUSED:
        raise RefusedError(f"calibration {new.id} was refused when it was made: {' '.join(new.findings)}")
    return new


def _anew(vat: VatConfig, carry: Carry, new: Calibration, *, now: Now) -> Carry:
    """Put a calibration in force; start the delays of the pH alarms and all windows anew."""
    alarms = dict(carry.alarms)
    for alarm in vat.alarms:
        if alarm.kind.is_ph and alarm.id in alarms:
            alarms[alarm.id] = replace(alarms[alarm.id], pending_us=None)
    return replace(carry, calibration=new, drift=None, alarms=alarms, trends={}, fresh_us=now.elapsed_us)


def _checked_check(probe: ProbeConfig, carry: Carry, command: Command) -> tuple[Check, Calibration]:
    check, line = command.check, carry.calibration
    if check is None:
        raise RefusedError("the command holds no check")
    if check.probe != probe.id:
        raise RefusedError(f"check {check.id} is of probe {check.probe}, not of {probe.id}")
    if line is None or check.calibration != line.id:
        now = "none is in force" if line is None else f"calibration {line.id} is in force"
        raise RefusedError(
            f"check {check.id} was made with calibration {check.calibration}, and {now}: it stays on record, but says"
            " nothing of the drift"
        )
    return check, line


def _taken(probe: ProbeConfig, carry: Carry, check: Check, line: Calibration) -> tuple[Carry, str]:
    """Let a check speak of the drift; return the new carry and what it said."""
    warm = BENCH_C if check.temperature_c is None else check.temperature_c
    u_fit = fit_uncertainty(line, ph=np.array([check.reading_ph]), temperature_c=np.array([warm]))
    before = carry.drift or drift.start(line, probe.errors)
    taken = drift.take(before, check, probe.errors, u_fit_ph=float(u_fit[0]))
    return replace(carry, drift=taken.drift), drift.sentence(check, taken)


def _entry(vat: VatConfig, cause: Cause, text: str, *, seq: int, now: Now) -> Entry:
    return Entry(seq=seq, at_us=now.at_us, vat=vat.id, cause=cause, text=text)
