"""Apply what happens between two records of a watch: end what is over by its time, then apply commands.

Law: pure; a command is applied whole or refused with a sentence, and a refused one changes nothing but the journal. A
calibration starts pH anew: line and drift are unknown, what came before is another scale. A check moves only what is
known of the probe's error, and only that of the calibration it was made with. Stirring and topping up unsettle a vat
for a bounded time and forget nothing; the start of a batch forgets the one before.

A spot measurement from the hub becomes the check at once, from the readings that the watch has in memory, and is stored
in one transaction with the command that applies it: a replay meets a check like any other.
"""

from collections.abc import Iterable

from logger.alarm import requests, suppression
from logger.alarm.lifecycle import Now
from logger.config import Priority, ProbeConfig, VatConfig
from logger.errors import RefusedError, refusing
from logger.measure import age, batch, claims, comparison, estimate, target, trend, trust_events, trust_windows
from logger.measure.calibration import can_assess, deviations_as_found
from logger.measure.check_words import as_found, sentence, words_of
from logger.model import (
    Acceptance,
    Answer,
    BatchState,
    Calibration,
    Carry,
    Cause,
    Check,
    CheckKind,
    Command,
    CommandKind,
    EarnedBy,
    ElectrodeState,
    Entry,
    Estimate,
    Mark,
    SuppressionState,
    batch_id,
    batch_text,
    figures,
    plain_text,
)
from logger.model.care import told_of
from logger.structs import replace
from logger.units import SECOND_US
from logger.watch import unwatched

LONGEST_WHY = 500
"""Characters of a refusal's reason: it may repeat what came from outside."""


def commands_between(
    vat: VatConfig, probe: ProbeConfig, carry: Carry, commands: Iterable[Command], *, seq: int, now: Now
) -> tuple[Carry, list[Entry], list[Answer]]:
    """End what is over, apply commands, let out what quiet hours held: whoever answered it need not be told.

    Returns the new carry, journal entries and answers.
    """
    carry, entries = _end_expired(vat, carry, seq=seq, now=now)
    answers = []
    for command in commands:
        answer = Answer(command=command.id, seq=seq, applied=True, probe=probe.id)
        try:
            with refusing(f"command {command.id}"):
                carry, caused, text = _apply(vat, probe, carry, command, seq=seq, now=now)
            entries += caused
            answers.append(replace(answer, text=text))
        except RefusedError as refused:
            why = plain_text.shown(str(refused), LONGEST_WHY)
            text = f"{command.kind} refused: {why}"
            entry = _entry(vat, Cause.REFUSED, text, seq=seq, now=now)
            alarm, by = (plain_text.shown(name, figures.LONGEST_TEXT) for name in (command.alarm, command.by))
            entries.append(replace(entry, alarm=alarm, by=by))
            answers.append(replace(answer, applied=False, text=why))
    alarms, released = requests.release(vat, carry.alarms, seq=seq, now=now)
    carry = carry if alarms is carry.alarms else replace(carry, alarms=alarms)
    return carry, [*entries, *released], answers


def _end_expired(vat: VatConfig, carry: Carry, *, seq: int, now: Now) -> tuple[Carry, list[Entry]]:
    """End suppressions and work on the probe whose time is over; the windows start anew after work on the probe."""
    alarms, lifted = suppression.lift_suppressions(vat, carry.alarms, seq=seq, now=now)
    texts, work = [], carry.suppression
    if work.attended_until_us is not None and work.attended_until_us <= now.elapsed_us:
        texts.append(suppression.TIME_OVER)
        work = replace(work, attended_until_us=None)
    if work.out_until_us is not None and work.out_until_us <= now.elapsed_us:
        texts.append(suppression.MARK_OVER)
        work = replace(work, out_until_us=None)
    expired = [replace(_entry(vat, Cause.LEFT, text, seq=seq, now=now), priority=Priority.MEDIUM) for text in texts]
    if alarms is carry.alarms and work is carry.suppression and work.not_back_us is None:  # nearly always
        return carry, []
    restless = {alarm.id for alarm in vat.alarms if alarm.kind.row.is_suspended_by_mixing}
    is_back = expired or any(entry.alarm not in restless for entry in lifted)
    carry = replace(carry, alarms=alarms, suppression=work)
    carry = _restart_windows(carry, now) if is_back else carry
    if not expired and work.not_back_us is None:
        return carry, lifted
    return _hold_until_back(vat, carry, [*expired, *lifted], now=now)


def _hold_until_back(vat: VatConfig, carry: Carry, entries: list[Entry], *, now: Now) -> tuple[Carry, list[Entry]]:
    """Hold belief, claims and alarms if nobody works on the probe any more, nor said where it is."""
    if carry.suppression.attended_until_us is not None or carry.suppression.out_until_us is not None:
        return carry, entries
    lifted = [replace(one, text=suppression.HELD) if one.cause is Cause.UNSUPPRESSED else one for one in entries]
    if carry.suppression.not_back_us is not None:
        return carry, lifted
    held = replace(carry.suppression, not_back_us=now.elapsed_us)
    carry = replace(carry, alarms=suppression.begin_hold(vat, carry.alarms), suppression=held)
    return _restart_windows(carry, now), lifted


def _restart_windows(carry: Carry, now: Now) -> Carry:
    """Begin all windows anew."""
    return replace(carry, windows=replace(carry.windows, fresh_us=now.elapsed_us))


def _break_off(vat: VatConfig, carry: Carry, command: Command, *, seq: int, now: Now) -> tuple[Carry, list[Entry], str]:
    """End the work on the probe without the word that it is back; a mark that it is out goes on by its own time."""
    entry = replace(suppression.vat_entry(vat, command, Cause.LEFT, seq=seq, now=now), text=suppression.BROKEN_OFF)
    carry = replace(carry, suppression=replace(carry.suppression, attended_until_us=None))
    if carry.suppression.out_until_us is not None:
        return carry, [entry], suppression.BROKEN_OFF
    alarms, lifted = suppression.end_suppressions(
        vat, carry.alarms, seq=seq, now=now, unsettled_until_us=_unsettled_until_us(carry)
    )
    carry, entries = _hold_until_back(vat, replace(carry, alarms=alarms), [entry, *lifted], now=now)
    return carry, entries, suppression.BROKEN_OFF


def _unsettled_until_us(carry: Carry) -> int:
    return 0 if carry.suppression.unsettled_us is None else carry.suppression.unsettled_us[1]


def _apply(
    vat: VatConfig, probe: ProbeConfig, carry: Carry, command: Command, *, seq: int, now: Now
) -> tuple[Carry, list[Entry], str]:
    figures.check(command)
    if command.kind is CommandKind.CALIBRATE:
        new = _checked_calibration(probe, command)
        text = f"calibration {new.id} in force: slope {new.slope:.1%}, offset {new.offset_mv:+.1f} mV"
        entry = _entry(vat, Cause.CALIBRATED, text, seq=seq, now=now)
        carry = _reconsider_by_buffers(carry, new, now=now)
        return _put_in_force(vat, probe, carry, new, now=now), [replace(entry, by=command.by or new.by)], text
    if command.kind is CommandKind.CHECK:
        return _apply_check(vat, carry, command, probe, seq=seq, now=now)
    if command.kind in _WHOLE_VAT:
        return _WHOLE_VAT[command.kind](vat, carry, command, seq=seq, now=now)
    if (
        command.kind is CommandKind.LEAVE
        and carry.suppression.attended_until_us is None
        and carry.suppression.not_back_us is None
    ):
        return carry, [], "nobody was said to work on the probe"
    alarms, entries, answer = requests.apply(
        vat, carry.alarms, command, seq=seq, now=now, unsettled_until_us=_unsettled_until_us(carry)
    )
    is_back = any(entry.cause in (Cause.UNSUPPRESSED, Cause.LEFT) for entry in entries)
    is_back |= carry.suppression.not_back_us is not None and _is_probe_back(command)
    after = replace(carry, alarms=alarms)
    after = _restart_windows(after, now) if is_back else after
    if _is_probe_back(command):
        after = replace(
            after, trust=trust_events.expect(after.trust, after.electrode.calibration, length_us=_length_us(probe))
        )
    if command.kind is CommandKind.MARK:
        return _note_mark(vat, after, command, now=now), entries, answer
    return _note_work(vat, after, command, now=now), entries, answer


def _enter_in_batch(
    vat: VatConfig, carry: Carry, command: Command, *, seq: int, now: Now
) -> tuple[Carry, list[Entry], str]:
    """Journal what a command enters in the record of the batch, which has it whole."""
    words = batch_text.words_of(batch_text.content_of(command.note))
    if carry.batch.started_us is None:
        raise RefusedError(f"no batch is under way in {vat.id}: mark it started first")
    text = plain_text.shown(words, figures.LONGEST_TEXT)
    entry = replace(_entry(vat, Cause.NOTED, text, seq=seq, now=now), by=command.by)
    return carry, [entry], "entered in the record of the batch"


def _enter_care(
    vat: VatConfig, carry: Carry, command: Command, *, seq: int, now: Now
) -> tuple[Carry, list[Entry], str]:
    """Journal what was entered in the care diary of the probe, and remember what it says now."""
    words, care = told_of(command.note)
    entry = _entry(vat, Cause.NOTED, plain_text.shown(words, figures.LONGEST_TEXT), seq=seq, now=now)
    return replace(carry, care=care), [replace(entry, by=command.by)], "entered in the care diary"


_WHOLE_VAT = {
    CommandKind.BREAK_OFF: _break_off,
    CommandKind.BATCH: _enter_in_batch,
    CommandKind.CARE: _enter_care,
}


def _is_probe_back(command: Command) -> bool:
    """Tell whether a command says that the probe is back in its vat."""
    return command.kind is CommandKind.LEAVE or (command.kind is CommandKind.MARK and command.note == Mark.PROBE_IN)


def _note_work(vat: VatConfig, carry: Carry, command: Command, *, now: Now) -> Carry:
    """Remember that somebody works on the probe, or no more."""
    if command.kind is CommandKind.LEAVE:
        return _note_probe_back(carry)
    if command.kind is not CommandKind.ATTEND:
        return carry
    until_us = suppression.attended_until_us(vat, command, now=now)
    out_us = carry.suppression.out_until_us
    is_longer = out_us is not None and out_us > until_us
    work = replace(carry.suppression, attended_until_us=until_us, out_until_us=out_us if is_longer else None)
    return replace(carry, suppression=work)


def _note_probe_back(carry: Carry) -> Carry:
    """Forget that the probe was away."""
    carry = unwatched.seen(carry)
    return replace(carry, suppression=SuppressionState(unsettled_us=carry.suppression.unsettled_us))


def _note_mark(vat: VatConfig, carry: Carry, command: Command, *, now: Now) -> Carry:
    """Remember what was done at the vat."""
    what = Mark(command.note)
    if what is Mark.PROBE_OUT:
        out_until_us = suppression.mark_until_us(vat, command, now=now)
        return replace(carry, suppression=replace(carry.suppression, out_until_us=out_until_us))
    if what is Mark.PROBE_IN:
        return _note_probe_back(carry)
    if what is Mark.STARTED:
        ago_us = round((command.duration_s or 0.0) * SECOND_US)
        return replace(
            carry,
            batch=replace(
                carry.batch,
                started_us=now.elapsed_us - ago_us,
                started_at_us=now.at_us - ago_us,
                id=batch_id(vat.id, command.at_us),
                ended_at_us=None,
            ),
            electrode=_of_new_batch(carry.electrode),
            suppression=replace(carry.suppression, unsettled_us=None),
            windows=replace(carry.windows, trends={}, fresh_us=now.elapsed_us),
            trust=trust_events.earn(carry.trust, EarnedBy.START, elapsed_us=now.elapsed_us, at_us=now.at_us),
        )
    if what is Mark.ENDED:
        ended = BatchState(progress=carry.batch.progress, ended_at_us=now.at_us)
        return replace(carry, batch=ended, windows=replace(carry.windows, trends={}, fresh_us=now.elapsed_us))
    carry = replace(carry, suppression=_extend_unsettled(vat, carry.suppression, command, now=now))
    before = carry.windows.trends
    after = trend.after_topping_up(before) if what is Mark.TOPPED_UP else trend.after_stirring(before, vat)
    return replace(carry, windows=replace(carry.windows, trends=after))


def _of_new_batch(electrode: ElectrodeState) -> ElectrodeState:
    """Forget what checks told of the brine before."""
    known = electrode.estimate
    return electrode if known is None else replace(electrode, estimate=estimate.of_new_batch(known))


def _extend_unsettled(vat: VatConfig, before: SuppressionState, command: Command, *, now: Now) -> SuppressionState:
    """Let the vat be unsettled from now on; a time that still runs goes on."""
    from_us, until_us = now.elapsed_us, suppression.mark_until_us(vat, command, now=now)
    if before.unsettled_us is not None and before.unsettled_us[1] > from_us:
        from_us, until_us = before.unsettled_us[0], max(before.unsettled_us[1], until_us)
    return replace(before, unsettled_us=(from_us, until_us))


def _checked_calibration(probe: ProbeConfig, command: Command) -> Calibration:
    new = command.calibration
    if new is None:
        raise RefusedError("the command holds no calibration")
    if new.probe != probe.id:
        raise RefusedError(f"calibration {new.id} is of probe {new.probe}, not of {probe.id}")
    if new.verdict is Acceptance.REFUSED:
        raise RefusedError(f"calibration {new.id} was refused when it was made: {' '.join(new.findings)}")
    return new


def _length_us(probe: ProbeConfig) -> int:
    return trust_windows.window_us(probe.poll_s)


def _put_in_force(vat: VatConfig, probe: ProbeConfig, carry: Carry, new: Calibration, *, now: Now) -> Carry:
    """Put a calibration in force; start the delays of the pH alarms and all windows anew."""
    alarms = dict(carry.alarms)
    for alarm in vat.alarms:
        if alarm.kind.is_ph and alarm.id in alarms:
            alarms[alarm.id] = replace(alarms[alarm.id], pending_us=None)
    trends = batch.reset_for_calibration(carry.windows.trends)
    return replace(
        carry,
        alarms=alarms,
        batch=replace(
            carry.batch, progress=replace(carry.batch.progress, newest=None, is_asked=False)
        ),  # another scale
        electrode=ElectrodeState(
            calibration=new,
            estimate=estimate.recalibrated(carry.electrode.estimate, new, probe.errors, elapsed_us=_made_us(new, now)),
            calibrated_us=_made_us(new, now),
            found_ph=_worst_as_found(carry.electrode.calibration, new),
            belief=carry.electrode.belief,
            thermometer=carry.electrode.thermometer,
        ),
        windows=replace(carry.windows, trends=trends, fresh_us=now.elapsed_us),
        trust=trust_events.recalibrate(carry.trust, carry.electrode.calibration, length_us=_length_us(probe)),
    )


def _made_us(made: Calibration | Check, now: Now) -> int:
    return age.made_us(made.at_us, now_at_us=now.at_us, now_us=now.elapsed_us)


def _worst_as_found(old: Calibration | None, new: Calibration) -> float | None:
    """Return how far the calibration in force is off in the buffers of the one that replaces it, at most.

    What another electrode reads tells nothing of it, nor do buffers that were read before it was made.
    """
    if old is None or not can_assess(new, old):
        return None
    return max(deviations_as_found(old, new.points), key=abs, default=None)


def _checked_check(probe: ProbeConfig, carry: Carry, command: Command) -> Check:
    check, line = command.check, carry.electrode.calibration
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
    if check.kind is CheckKind.SPOT and (why := comparison.why_away(carry)):
        raise RefusedError(f"check {check.id} stays on record, but says nothing of the drift: {why}")
    if check.kind is CheckKind.SPOT and carry.trust.loss is not None and not check.passed:
        raise RefusedError(
            f"check {check.id} stays on record: it read {check.reference_ph:.2f} where the probe reads"
            f" {check.reading_ph:.2f}, so trust in the probe stays lost; act on what the other instrument says"
        )
    return check


def _apply_check(
    vat: VatConfig, carry: Carry, command: Command, probe: ProbeConfig, *, seq: int, now: Now
) -> tuple[Carry, list[Entry], str]:
    """Let a check speak of the probe's error, of what is claimed, and of trust; return the carry and what it said."""
    check = _checked_check(probe, carry, command)
    made_us = _made_us(check, now)
    found = estimate.apply_check(_estimate(carry), check, elapsed_us=made_us)
    electrode = replace(carry.electrode, estimate=found.estimate)
    if check.kind is CheckKind.SPOT:
        electrode = replace(electrode, spot=check, spotted_us=made_us)
    elif check.kind is CheckKind.BUFFER:
        electrode = replace(electrode, check=check, checked_us=made_us)
    after = replace(carry, electrode=electrode)
    if check.kind is CheckKind.SPOT and check.passed and not carry.trust.is_sound:
        earned = trust_events.earn(carry.trust, EarnedBy.CHECK, elapsed_us=now.elapsed_us, at_us=check.at_us)
        after = replace(after, trust=earned)
    if check.passed:
        after = replace(after, trust=trust_events.verify(after.trust))
    after = unwatched.seen(_reconsider(after, words_of(check), now=now))
    after, claimed = _judge_target(vat, after, check, seq=seq, now=now)
    text = sentence(check, found)
    entry = _entry(vat, Cause.CHECKED, text, seq=seq, now=now)
    return after, [replace(entry, by=command.by or check.by, value=check.reading_ph), *claimed], text


def _estimate(carry: Carry) -> Estimate:
    if carry.electrode.estimate is None:
        raise RefusedError("no calibration is in force: there is nothing to check; calibrate the probe")
    return carry.electrode.estimate


def _reconsider_by_buffers(carry: Carry, new: Calibration, *, now: Now) -> Carry:
    """Let the buffers of a new calibration speak of the one before, and of what was claimed with it."""
    before = carry.electrode.calibration
    if before is None or not can_assess(new, before):
        return carry
    known, made_us = _estimate(carry), _made_us(new, now)
    for check in as_found(before, new):
        known = estimate.apply_check(known, check, elapsed_us=made_us).estimate
    carry = replace(carry, electrode=replace(carry.electrode, estimate=known))
    worst = _worst_as_found(before, new) or 0.0
    return _reconsider(carry, f"in the buffers of the next calibration it was found {worst:+.2f} off", now=now)


def _reconsider(carry: Carry, words: str, *, now: Now) -> Carry:
    """Withdraw what is claimed, if by what is known now it does not hold; `words`: by which check."""
    progress = claims.withdraw(
        target.current_progress(carry), _estimate(carry), words=words, at_us=now.at_us, elapsed_us=now.elapsed_us
    )
    return replace(carry, batch=replace(carry.batch, progress=progress))


def _judge_target(vat: VatConfig, carry: Carry, check: Check, *, seq: int, now: Now) -> tuple[Carry, list[Entry]]:
    """Judge the target at the moment of a check, unless the batch has ended."""
    if vat.target is None or carry.batch.ended_at_us is not None:
        return carry, []
    against = [alarm.id for alarm in vat.alarms if alarm.kind.row.is_against_claim]
    return target.after_check(
        vat.id,
        vat.target,
        carry,
        check,
        seq=seq,
        at_us=now.at_us,
        elapsed_us=now.elapsed_us,
        is_forbidden=any(carry.alarms[each].speaks for each in against if each in carry.alarms),
    )


def _entry(vat: VatConfig, cause: Cause, text: str, *, seq: int, now: Now) -> Entry:
    return Entry(seq=seq, at_us=now.at_us, vat=vat.id, cause=cause, text=text)
