"""Say in one sentence what happened to an alarm. Law: says what is known and its doubt, never that anything is safe."""

from logger.alarm.lifecycle import Transition
from logger.config import STALL_WINDOWS, AlarmConfig, AlarmKind, Group
from logger.model import Cause, QualityTests, Reason

_TESTS = {
    QualityTests.UNCALIBRATED: "no calibration is stored for this probe",
    QualityTests.THERMOMETER: "the thermometer shows what no vat's temperature can be",
    QualityTests.TEMPERATURE: "the thermometer is out of its range or gives nothing",
    QualityTests.GROSS_RANGE: "the potential is outside what an electrode in this vat gives",
    QualityTests.JUMP: "the reading jumps",
    QualityTests.RATE_OF_CHANGE: "the reading changes faster than a vat can",
    QualityTests.FLAT_LINE: "the reading is frozen",
    QualityTests.JUMPED: "the reading jumped as no vat does, so trust in the probe is lost",
    QualityTests.NOT_BORNE_OUT: "the probe was said to be back in the vat, and reads something else than before",
    QualityTests.LOOSE: "readings lie far apart again and again, so trust in the probe is lost",
    QualityTests.FROZEN: "the instrument hardly shows a new value any more, so trust in the probe is lost",
    QualityTests.OUT_OF_LIQUID: "the probe seems to hang in air, so trust in it is lost",
    QualityTests.ERRATIC: "the signal is unstable",
    QualityTests.SCATTERED: "readings lie so far apart that their median says little",
    QualityTests.ATTENDED: "somebody works on the probe or has it out of the vat",
    QualityTests.NOT_BACK: "nobody said that the probe is back in the vat",
}
_LONGEST_IN_SECONDS = 120
_SUREST = 99
_LEAST_FALL = 0.0005
"""pH/h that are shown as 0.001."""
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

TOLD_LATER = frozenset(
    {
        Cause.REMINDER,
        Cause.RAISED,
        Cause.REALARM,
        Cause.RELEASED,
        Cause.SHELF_EXPIRED,
        Cause.UNSHELVED,
        Cause.RETURNED_TO_SERVICE,
    }
)
"""What is told of an alarm some time after it came: it names the value that was judged last."""
_BEFORE = {
    Cause.REMINDER: "Still not acknowledged: ",
    Cause.RAISED: "Still not acknowledged, so its priority is raised: ",
    Cause.REALARM: "Still standing: ",
    Cause.RELEASED: "Held through the quiet hours: ",
}


def tests(spoken: QualityTests) -> str:
    """Say which quality tests spoke."""
    sentences = [words for test, words in _TESTS.items() if test in spoken]
    return "; ".join(sentences) or "readings that can be believed are too few"


def of_test(test: QualityTests) -> str:
    """Say what one quality test that speaks against a reading found."""
    return _TESTS[test]


def sentence(
    alarm: AlarmConfig,
    step: Transition,
    *,
    value: float | None,
    u: float | None,
    came: float | None = None,
    reason: Reason = Reason.NONE,
    spoken: QualityTests = QualityTests.NONE,
) -> str:
    """Say what happened to an alarm, with the value and twice its standard uncertainty where there is one.

    `came`: the value with which it annunciated, where `value` is a later one.
    """
    cause = step.cause
    if cause in _PLAIN and not (step.annunciates or step.held):
        return _PLAIN[cause]
    before = _BEFORE.get(cause, "")
    if cause in _PLAIN:
        before = f"{_PLAIN[cause].capitalize()}, and still abnormal: "
    if cause is Cause.RETURNED:
        return before + _returns(alarm, value, u)
    said = before + _comes(alarm, cause, value=value, u=u, came=came, reason=reason, spoken=spoken)
    return ". ".join(filter(None, (said, _on_trust(alarm, spoken))))


def _on_trust(alarm: AlarmConfig, spoken: QualityTests) -> str:
    """Say what an alarm on a limit goes by where the probe has lost trust; empty: it has not."""
    if alarm.kind.row.group is not Group.PROCESS or not any(test in spoken for test in _LOST):
        return ""
    return _BY_SECOND if alarm.kind.is_ph and QualityTests.BY_SECOND_PROBE in spoken else UNCONFIRMED


def _returns(alarm: AlarmConfig, value: float | None, u: float | None) -> str:
    if alarm.kind.row.returns:
        return _filled(alarm.kind.row.returns, alarm, value)
    return over(alarm, value) or f"{quantity(alarm, value, u)}, no longer {limit(alarm)}"


def _comes(
    alarm: AlarmConfig,
    cause: Cause,
    *,
    value: float | None,
    u: float | None,
    came: float | None,
    reason: Reason,
    spoken: QualityTests,
) -> str:
    if alarm.kind is AlarmKind.TRUST_LOST and QualityTests.NOT_BACK in spoken:
        return _NOT_BACK
    if alarm.kind.row.comes:
        return _filled(alarm.kind.row.comes, alarm, value, reason=reason, spoken=spoken)
    then = when(alarm, cause, value, came)
    return f"{quantity(alarm, value, u)}{then}, {limit(alarm)} for {span(alarm.on_delay_s)}"


def when(alarm: AlarmConfig, cause: Cause, value: float | None, came: float | None) -> str:
    """Say of what is told later that its value was judged last, and with which one it came, if that was another."""
    if cause not in TOLD_LATER or value is None:
        return ""
    before = "" if came is None else quantity(alarm, came, None)
    differs = before not in ("", quantity(alarm, value, None))
    return f" when last judged, {before} when it came" if differs else " when last judged"


def what(alarm: AlarmConfig, value: float | None) -> str:
    """Return what is wrong in one clause; empty: its value and its limit say it."""
    return _filled(alarm.kind.row.what, alarm, value)


def over(alarm: AlarmConfig, value: float | None) -> str:
    """Return what is right again in one clause; empty: its value and its limit say it."""
    row = alarm.kind.row
    if _is_disarmed(alarm, value):
        return f"another batch was started: this counts once pH is down to {alarm.armed_ph:.2f}"
    return _filled(row.over_unknown if value is None and row.over_unknown else row.over, alarm, value)


def _is_disarmed(alarm: AlarmConfig, value: float | None) -> bool:
    """Tell whether the condition is over though the value is not, for an alarm that another batch disarms."""
    if alarm.armed_ph is None or alarm.kind.is_trend or value is None or alarm.setpoint is None:
        return False
    return value - alarm.setpoint > -alarm.deadband


def _filled(
    template: str,
    alarm: AlarmConfig,
    value: float | None,
    *,
    reason: Reason = Reason.NONE,
    spoken: QualityTests = QualityTests.NONE,
) -> str:
    """Return a sentence of a row (`KindRow`) with its names filled in; a value that is not known is the setpoint."""
    row = alarm.kind.row
    return template.format(
        alarm=alarm,
        value=alarm.setpoint if value is None else value,
        delay=span(alarm.on_delay_s),
        why="nothing arrives from the probe" if reason is Reason.NONE else reason.words,
        tests=tests(spoken),
        fall=_fall(alarm, value),
        what="" if template is row.what else _filled(row.what, alarm, value),
        first=row.first,
    )


def _fall(alarm: AlarmConfig, value: float | None) -> str:
    """Say how little pH fell over the windows that a stall looks back over; `value` in pH/h."""
    hours = STALL_WINDOWS * alarm.window_s / 3600
    falls = value is not None and value >= _LEAST_FALL
    return f"fell by only {value:.3f} an hour over {hours:g} h" if falls else f"has not fallen for {hours:g} h"


def limit(alarm: AlarmConfig) -> str:
    """Say on which side of the setpoint an alarm is abnormal."""
    return f"at or {'above' if alarm.kind.is_high else 'below'} {setpoint(alarm)}"


def setpoint(alarm: AlarmConfig) -> str:
    """Say a setpoint in pH or in degrees Celsius."""
    return f"{alarm.setpoint:.2f}" if alarm.kind.is_ph else f"{alarm.setpoint:.1f} C"


def per_cent(probability: float) -> str:
    """Say a probability in whole per cent; never that something is certain."""
    rounded = round(100.0 * probability)
    return "over 99 %" if rounded > _SUREST else "under 1 %" if rounded < 1 else f"{rounded} %"


def span(seconds: float) -> str:
    """Say a length of time in whole seconds or minutes."""
    return f"{seconds:.0f} s" if seconds < _LONGEST_IN_SECONDS else f"{round(seconds / 60)} min"


def quantity(alarm: AlarmConfig, value: float | None, u: float | None) -> str:
    """Say a value with its unit and, where u is known, twice its standard uncertainty."""
    if value is None:
        return "pH unknown" if alarm.kind.is_ph else "temperature unknown"
    spread = "" if u is None else f" +/- {2 * u:.2f} (k=2)"
    return alarm.kind.row.quantity.format(value=value, spread=spread)


_LOST = (
    QualityTests.JUMPED,
    QualityTests.OUT_OF_LIQUID,
    QualityTests.NOT_BORNE_OUT,
    QualityTests.LOOSE,
    QualityTests.FROZEN,
)
_BY_SECOND = "Judged by the second probe in the vat, for trust in the first is lost"
UNCONFIRMED = "Not confirmed: trust in the probe is lost, so look at the vat itself"
_NOT_BACK = (
    "Work on the probe is over and nobody said that it is back. Look whether it is in the vat, then say so:"
    " `vatvigil mark VAT probe-in`, or the mark at the hub. Until then nothing it reads is believed or claimed, and pH"
    " and temperature alarms are held"
)
