"""Say in one sentence whether a record is believed, and why.

Law: made of what is stored with the record (belief, reason, tests, since when) and of the calibration and the checks
that it names by their ids; ages are counted to the record's own time, never by a clock. So the sentence of any past
record can be told again, word for word. Never says that anything is safe.
"""

from collections.abc import Callable, Iterator
from zoneinfo import ZoneInfo

from logger.alarm.quiet_hours import local
from logger.alarm.words import of_test
from logger.config import PeopleConfig
from logger.model import LEADING, Belief, Calibration, Carry, Check, Measurements, QualityTests, Reason
from logger.model.thermometer import fault_words
from logger.structs import Struct, field
from logger.units import MINUTE_US

_LONGEST_IN_MINUTES, _LONGEST_IN_HOURS = 120, 72


class Evidence(Struct, frozen=True, kw_only=True):
    """What the readings of a watch rest on at a moment."""

    calibration: Calibration | None = None
    check: Check | None = None
    """The newest in a buffer, with that calibration."""
    spot: Check | None = None
    """The newest beside another instrument, with that calibration."""
    people: PeopleConfig = field(default_factory=PeopleConfig)
    """Whose time is said."""


def evidence_of(carry: Carry, people: PeopleConfig | None = None) -> Evidence:
    """Return what the newest record of a watch rests on."""
    return Evidence(
        calibration=carry.electrode.calibration,
        check=carry.electrode.check,
        spot=carry.electrode.spot,
        people=people or PeopleConfig(),
    )


def sentence(rows: Measurements, evidence: Evidence, *, row: int = -1, steady: bool = False) -> str:
    """Say what is made of a record, and why; `steady`: by moments, not ages. Raises IndexError for no records."""
    belief, because = Belief(int(rows.belief[row])), reason(rows, evidence, row=row, steady=steady)
    if belief is Belief.BELIEVED:
        return f"Believed: {because}"
    word, since_us = "Suspect" if belief is Belief.SUSPECT else "Not believed", int(rows.since_at_us[row])
    if steady:
        return f"{word}: {because}, since {moment(since_us, evidence.people)}"
    return f"{word}: {because}, {_since(since_us, int(rows.at_us[row]), evidence.people)}"


def reason(rows: Measurements, evidence: Evidence, *, row: int = -1, steady: bool = False) -> str:
    """Say what the verdict on a record rests on, or what speaks against it, without the verdict and its age."""
    tests, at_us = QualityTests(int(rows.tests[row])), int(rows.at_us[row])

    def when(then_us: int) -> str:
        return moment(then_us, evidence.people) if steady else f"{ago(then_us, at_us)} ago"

    if rows.belief[row] == Belief.BELIEVED:
        return ", ".join(_grounds(tests, evidence, when))
    return _why(tests, Reason(int(rows.reason[row])), float(rows.temperature_c[row]))


def ago(then_us: int, now_us: int) -> str:
    """Say how long ago something was, in whole minutes, hours or days."""
    minutes = max(0, now_us - then_us) // MINUTE_US
    if minutes < _LONGEST_IN_MINUTES:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < _LONGEST_IN_HOURS * 60 else f"{minutes // 1440} d"


def moment(at_us: int, people: PeopleConfig) -> str:
    """Say when something was, to the minute, in their time."""
    then = local(at_us, ZoneInfo(people.zone))
    return f"{then:%Y-%m-%d %H:%M} {then.tzname()}"


def _why(tests: QualityTests, absent: Reason, celsius: float) -> str:
    if absent is not Reason.NONE and not tests & (QualityTests.ATTENDED | QualityTests.NOT_BACK):
        return f"no reading, {absent.words}"
    lead = next((test for test in LEADING if test in tests), None)
    by_second = " (alarms judge the second probe)" if QualityTests.BY_SECOND_PROBE in tests else ""
    if lead is QualityTests.TEMPERATURE and QualityTests.THERMOMETER in tests:
        return fault_words(celsius)
    return "its pH cannot be told" if lead is None else f"{of_test(lead)}{by_second}"


def _since(then_us: int, now_us: int, people: PeopleConfig) -> str:
    """Say since when; with the day where it is not the record's own."""
    then, now = (local(us, ZoneInfo(people.zone)) for us in (then_us, now_us))
    day = "" if then.date() == now.date() else f"{then:%Y-%m-%d} "
    return f"since {day}{then:%H:%M} {then.tzname()} ({ago(then_us, now_us)})"


def _grounds(tests: QualityTests, evidence: Evidence, when: Callable[[int], str]) -> Iterator[str]:
    """Yield what speaks for a reading, and what tempers it; `when`: says when something was."""
    if QualityTests.DOUBTED in tests:
        yield "though doubted (temperature or thermometer is odd)"
    elif QualityTests.UNWITNESSED in tests:
        yield "watched for too short a time to tell more"
    else:
        yield "nothing speaks against the probe"
    calibration, check, spot = evidence.calibration, evidence.check, evidence.spot
    if check is not None:
        off = "" if check.passed else f" and found off by {check.deviation_ph:+.2f}"
        yield f"checked {when(check.at_us)}{off}"
    elif calibration is not None:
        yield f"calibrated {when(calibration.at_us)}" + ("" if spot else " and not checked since")
    if spot is not None:
        agrees = "agrees" if spot.passed else "DISAGREES"
        yield f"spot check {when(spot.at_us)} {agrees} {spot.reading_ph:.2f} / {spot.reference_ph:.2f}"
    yield from (words for test, words in _TEMPERED.items() if test in tests)


_TEMPERED = {
    QualityTests.OWN_PH: "by the probe's own pH",
    QualityTests.ASSUMED_TEMPERATURE: "at an assumed temperature",
    QualityTests.THERMOMETER: "by the last good temperature, for the thermometer cannot be right",
    QualityTests.AFTER_GAP: "not watched for hours before: check the probe",
    QualityTests.OUTSIDE_BUFFERS: "beyond the calibration's buffers",
}
