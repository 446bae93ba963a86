"""One sentence a tired person understands. Law: says what is known and its doubt, never that anything is safe."""

from logger.alarm import batch_words
from logger.alarm.lifecycle import Transition
from logger.config import AlarmConfig, AlarmKind
from logger.model import Cause, QualityTests, Reason

_TESTS = {
    QualityTests.UNCALIBRATED: "no calibration is stored for this probe",
    QualityTests.TEMPERATURE: "the thermometer is out of its range or gives nothing",
    QualityTests.GROSS_RANGE: "the potential is outside what an electrode in this vat gives",
    QualityTests.JUMP: "the reading jumps",
    QualityTests.RATE_OF_CHANGE: "the reading changes faster than a vat can",
    QualityTests.FLAT_LINE: "the reading is frozen",
    QualityTests.OUT_OF_LIQUID: "the probe seems to hang in air",
    QualityTests.ERRATIC: "the potential has no one value",
    QualityTests.ATTENDED: "somebody works on the probe or has it out of the vat",
    QualityTests.NOT_BACK: "nobody said that the probe is back in the vat",
}
_LONGEST_IN_SECONDS = 120
_SUREST = 99
_PLAIN = {
    Cause.ACKNOWLEDGED: "acknowledged",
    Cause.RESET: "reset",
    Cause.SHELVED: "shelved",
    Cause.UNSHELVED: "unshelved",
    Cause.SHELF_EXPIRED: "shelving is over",
    Cause.SUPPRESSED: "suspended while the probe is out",
    Cause.UNSUPPRESSED: "watched again; its delay starts anew",
    Cause.OUT_OF_SERVICE: "taken out of service",
    Cause.RETURNED_TO_SERVICE: "returned to service",
    Cause.DELAY_RESTARTED: "the on-delay starts anew after a gap in what could be believed",
}

_BEFORE = {
    Cause.REMINDER: "Still not acknowledged: ",
    Cause.RAISED: "Still not acknowledged, so its priority is raised: ",
    Cause.REALARM: "Still standing: ",
    Cause.RELEASED: "Held through the quiet hours: ",
}


def tests(spoken: QualityTests) -> str:
    """Say which quality tests spoke."""
    said = [words for test, words in _TESTS.items() if test in spoken]
    return "; ".join(said) or "readings that can be believed are too few"


def of_test(test: QualityTests) -> str:
    """Say what one quality test that speaks against a reading found."""
    return _TESTS[test]


def sentence(
    alarm: AlarmConfig,
    step: Transition,
    *,
    value: float | None,
    u: float | None,
    reason: Reason = Reason.NONE,
    spoken: QualityTests = QualityTests.NONE,
) -> str:
    """Say what happened to an alarm, with the value and twice its standard uncertainty where there is one."""
    cause = step.cause
    if cause in _PLAIN and not (step.annunciates or step.held):
        return _PLAIN[cause]
    before = _BEFORE.get(cause, "")
    if cause in _PLAIN:
        before = f"{_PLAIN[cause].capitalize()}, and still abnormal: "
    if alarm.kind.is_process:
        return before + _process(alarm, cause, value=value, u=u)
    return before + _instrument(alarm, cause, reason=reason, spoken=spoken)


def _process(alarm: AlarmConfig, cause: Cause, *, value: float | None, u: float | None) -> str:
    if alarm.kind.is_of_batch:
        return batch_words.sentence(alarm, cause, value=value)
    if alarm.kind is AlarmKind.DEADLINE:
        return _deadline(alarm, cause)
    side = "above" if alarm.kind.is_high else "below"
    limit = f"{alarm.setpoint:.2f}" if alarm.kind.is_ph else f"{alarm.setpoint:.1f} C"
    if cause is Cause.RETURNED:
        return f"{quantity(alarm, value, u)}, no longer at or {side} {limit}"
    then = "" if cause is Cause.ANNUNCIATED or value is None else " when it came"  # later ones carry that value
    return f"{quantity(alarm, value, u)}{then}, at or {side} {limit} for {span(alarm.on_delay_s)}"


def _deadline(alarm: AlarmConfig, cause: Cause) -> str:
    if cause is Cause.RETURNED:
        return "the target is shown, or another batch was started"
    return f"The target is not shown {alarm.setpoint:g} h after the batch was started"


def per_cent(probability: float) -> str:
    """Say a probability in whole per cent; never that something is certain."""
    rounded = round(100.0 * probability)
    return "over 99 %" if rounded > _SUREST else "under 1 %" if rounded < 1 else f"{rounded} %"


def span(seconds: float) -> str:
    """Say a length of time in whole seconds or minutes."""
    return f"{seconds:.0f} s" if seconds < _LONGEST_IN_SECONDS else f"{round(seconds / 60)} min"


def quantity(alarm: AlarmConfig, value: float | None, u: float | None) -> str:
    """Say a value with its unit and, where u is known, twice its standard uncertainty."""
    if value is not None and alarm.kind is AlarmKind.RATE_OF_CHANGE:
        return f"pH changes by {value:.2f} an hour"
    if value is not None and alarm.kind.is_of_batch:
        return f"{value:.3g}{alarm.kind.unit}"
    if value is not None and alarm.kind is AlarmKind.RISE:
        return f"pH has risen by {value:.2f} from its lowest"
    if value is None:
        return "pH unknown" if alarm.kind.is_ph else "temperature unknown"
    if not alarm.kind.is_ph:
        return f"{value:.1f}{alarm.kind.unit}"
    return f"pH {value:.2f}" if u is None else f"pH {value:.2f} +/- {2 * u:.2f} (k=2)"


def _instrument(alarm: AlarmConfig, cause: Cause, *, reason: Reason, spoken: QualityTests) -> str:
    if cause is Cause.RETURNED:
        return _AGAIN[alarm.kind]
    if alarm.kind is AlarmKind.BLIND and QualityTests.NOT_BACK in spoken:
        return _NOT_BACK
    if alarm.kind is AlarmKind.BLIND:
        return f"No reading that can be believed: {tests(spoken)}. pH alarms hold still meanwhile"
    if alarm.kind is AlarmKind.NO_DATA:
        why = "nothing arrives from the probe" if reason is Reason.NONE else reason.words
        return f"No reading for {span(alarm.on_delay_s)}: {why}. pH alarms hold still meanwhile"
    return _FOUND[alarm.kind]


_NOT_BACK = (
    "Work on the probe is over and nobody said that it is back. Look whether it is in the vat, then say so:"
    " `vatvigil mark VAT probe-in`, or the mark at the hub. Until then nothing it reads is believed or claimed, and pH"
    " and temperature alarms are held"
)
_AGAIN = {
    AlarmKind.BROKER_AWAY: "the broker is there again; what waited goes out to it",
    AlarmKind.BROKER_SHARED: "no other store was heard for some minutes",
    AlarmKind.OUTBOX_AGE: "the broker has taken all that waited",
    AlarmKind.DISK_LOW: "there is room for the log again",
    AlarmKind.CLOCK_STEPPED: "the watch goes on by the clock as it is now",
    AlarmKind.STORE_UNWRITABLE: "the store can be written again; what waited is in it",
    AlarmKind.REHEARSAL: "TEST: it is over",
    AlarmKind.REHEARSAL_FAILED: "another good-night test has begun, and will tell",
    AlarmKind.NO_DATA: "readings arrive again",
    AlarmKind.BLIND: "readings can be believed again",
    AlarmKind.OUT_OF_LIQUID: "the probe seems to be in the liquid again",
    AlarmKind.ERRATIC: "the potential has one value again",
    AlarmKind.DISAGREEMENT: "the two probes agree again",
    AlarmKind.NO_CALIBRATION: "a calibration is in force",
    AlarmKind.CALIBRATION_OVERDUE: "the probe was calibrated",
    AlarmKind.CHECK_OVERDUE: "no check is owed now",
    AlarmKind.DRIFTED: "nothing says any more that the probe is off",
    AlarmKind.CLAIM_WITHDRAWN: "the target is shown anew, or another batch was started",
}
_FOUND = {
    AlarmKind.BROKER_AWAY: "The broker is away, so no alarm reaches the hub",
    AlarmKind.BROKER_SHARED: "Two watches are in each other's way at the broker",
    AlarmKind.OUTBOX_AGE: "Events wait that the broker does not accept",
    AlarmKind.DISK_LOW: "The log soon has no room",
    AlarmKind.CLOCK_STEPPED: "The wall clock was stepped",
    AlarmKind.STORE_UNWRITABLE: "The store cannot be written. Readings wait in memory; alarms go on",
    AlarmKind.REHEARSAL: "TEST, no real alarm: this is the good-night test",
    AlarmKind.REHEARSAL_FAILED: "The good-night test was not acknowledged",
    AlarmKind.OUT_OF_LIQUID: "The probe seems to hang in air: its temperature and its potential move as no vat's do."
    " Push it down below the foam. pH and temperature alarms hold still meanwhile",
    AlarmKind.CLAIM_WITHDRAWN: "The claim that the target was reached does not hold: hold the batch, and show it anew",
    AlarmKind.ERRATIC: "The potential has no one value: look first whether the glass of the bulb is whole, then at"
    " plug and cable. pH alarms hold still meanwhile",
    AlarmKind.DISAGREEMENT: "The two probes in the vat differ by more than both their doubts: one of them is wrong, and"
    " nobody knows which. Dip both into a check buffer; until then trust the higher pH",
    AlarmKind.NO_CALIBRATION: "No calibration is in force, so no pH is claimed and nothing watches it: calibrate"
    " the probe",
    AlarmKind.CALIBRATION_OVERDUE: "The calibration is overdue (calibrate_every_d), and the doubt of readings grows."
    " Calibrate the probe",
    AlarmKind.CHECK_OVERDUE: "The probe was neither calibrated nor checked for too long (check_every_d). Dip it in a"
    " check buffer, or measure the vat with another instrument",
    AlarmKind.DRIFTED: "The probe was found off by more than is good enough to judge a ferment (judge_tolerance_ph):"
    " what it read before may be wrong. Repeat the check in fresh buffer, clean and calibrate, and correct the log",
}
