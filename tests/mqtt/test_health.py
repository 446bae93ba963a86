"""Condition of a probe in the words of NAMUR NE 107."""

import json
from collections.abc import Mapping
from datetime import date

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config import AlarmKind, BufferConfig, Config, ErrorModel, default_alarm
from logger.measure import estimate
from logger.model import (
    AlarmState,
    Calibration,
    CalibrationPoint,
    Carry,
    Doubt,
    ElectrodeState,
    Estimate,
    Health,
    Level,
    Loss,
    Question,
    SuppressionState,
    TrustCause,
    TrustState,
)
from logger.mqtt.health import health_message, probe_health
from logger.mqtt.schemas import schema
from logger.structs import replace
from logger.units import DAY_US, HOUR_US
from logger.watch import trust_words
from tests.mqtt.factories import AT_US, CONFIG, MARROW, TOPICS

CALIBRATION = Calibration(
    id=1,
    probe="marrow-probe",
    at_us=AT_US,
    offset_mv=0.0,
    slope=0.98,
    var_offset=0.0,
    var_slope=0.0,
    cov=0.0,
    low_ph=4.0,
    high_ph=7.0,
    points=(),
)
SUPPRESSED = {"ph-high": AlarmState(suppressed_until_us=1)}
OVERDUE = "The calibration is older than 7 days: calibrate the probe."
UNCHECKED = (
    "The probe was not checked for more than 3 days: dip it in a buffer, or measure the vat with another instrument."
)
UNCERTAIN = "The uncertainty of a reading has grown beyond u = 0.10: dip the probe in a buffer, or calibrate it."
OFF = "The last check found the probe off by more than 0.05: clean it and calibrate it."


def carried(alarms: Mapping[str, AlarmState], electrode: ElectrodeState | None = None) -> Carry:
    """Return what a watch with these alarms carries."""
    return Carry(probe="marrow-probe", alarms=alarms, electrode=electrode or ElectrodeState())


def judged(
    *, days: float = 0.0, config: Config = CONFIG, known: Estimate | None = None, line: Calibration = CALIBRATION
) -> tuple[Health, list[str]]:
    """Judge a probe so many days after its calibration."""
    carry = carried({"ph-high": AlarmState()}, ElectrodeState(calibration=line, estimate=known))
    return probe_health(MARROW, carry, config=config, at_us=AT_US + round(days * DAY_US))


STEADY = ErrorModel(drift_ph_per_day=0.0, walk_ph_per_sqrt_day=0.0)


def checked(day: float, offset_ph: float = 0.0) -> Estimate:
    """Return what is known after a check that found the line off by so much."""
    known = estimate.advance(estimate.start(CALIBRATION, STEADY), at_us=AT_US + round(day * DAY_US), elapsed_us=None)
    return replace(known, steady=replace(known.steady, mean=(offset_ph, *known.steady.mean[1:])))


def steady(config: Config = CONFIG) -> Config:
    """An electrode whose drift is known to be nothing, so that only the calendar reminds."""
    return replace(config, probes=tuple(replace(probe, errors=STEADY) for probe in config.probes))


def test_a_probe_that_is_silent_has_failed() -> None:
    carry = carried({"no-data": AlarmState(abnormal=True)})
    status, findings = probe_health(MARROW, carry, config=CONFIG, at_us=AT_US)
    assert status is Health.FAILURE
    assert findings == [
        "Nothing arrives from the probe: check its cable, its power and the port.",
        "No calibration is stored, so no pH is claimed: calibrate the probe.",
    ]
    message = health_message(TOPICS, "marrow-probe", status=status, findings=findings, trust=trust_words.shown(carry))
    jsonschema.validate(json.loads(message.payload), schema("health"))


def test_trust_that_was_lost_or_is_doubted_is_a_finding_with_its_cause_and_without_what_it_reads_now() -> None:
    before = Level(elapsed_us=0, potential_mv=120.0, temperature_c=20.0, slope_ph_per_h=0.0)
    lost = Loss(cause=TrustCause.JUMP, since_us=0, since_at_us=AT_US, before=before)
    alarms = {each: AlarmState(abnormal=True) for each in ("trust-lost", "trust-doubted")}
    vat = replace(MARROW, alarms=(default_alarm(AlarmKind.TRUST_LOST), default_alarm(AlarmKind.TRUST_DOUBTED)))
    told = []
    for now_mv in (60.0, 80.0):
        now = replace(before, potential_mv=now_mv)
        trust = TrustState(loss=replace(lost, now=now))
        carry = replace(carried(alarms, ElectrodeState(calibration=CALIBRATION)), trust=trust)
        status, findings = probe_health(vat, carry, config=CONFIG, at_us=AT_US)
        assert status is Health.FAILURE
        assert findings[0].startswith("Trust in the probe is lost: the reading jumped away from 4.89 at 02:10 UTC,")
        message = health_message(
            TOPICS, "marrow-probe", status=status, findings=findings, trust=trust_words.shown(carry)
        )
        payload = json.loads(message.payload)
        jsonschema.validate(payload, schema("health"))
        assert (payload["trust"], payload["trust_since"]) == ("lost", "2026-11-25T02:10:00.123456Z")
        told.append(message.payload)
    assert told[0] == told[1]
    doubt = Doubt(cause=TrustCause.TEMPERATURE, since_us=0, since_at_us=AT_US, before_c=20.0, now_c=16.0, before_mv=0.3)
    doubted = replace(carried({"trust-doubted": AlarmState(abnormal=True)}), trust=TrustState(doubt=doubt))
    doubted = replace(doubted, electrode=ElectrodeState(calibration=CALIBRATION))
    status, findings = probe_health(vat, doubted, config=CONFIG, at_us=AT_US)
    assert status is Health.OUT_OF_SPECIFICATION
    (finding,) = findings
    assert finding.startswith("The probe is doubted: the temperature went from 20.0 to 16.0 C at 02:10 UTC: topped up,")


def test_a_calibrated_probe_without_findings_is_good() -> None:
    assert judged() == (Health.GOOD, [])


@pytest.mark.parametrize(
    ("alarms", "work", "sentence"),
    [
        (SUPPRESSED, SuppressionState(out_until_us=1), "Process alarms are suppressed while the probe is out"),
        (SUPPRESSED, SuppressionState(attended_until_us=1), "Somebody works on the probe; the process alarms"),
        ({}, SuppressionState(attended_until_us=1), "Somebody works on the probe; the process alarms"),
        ({"ph-high": AlarmState(out_of_service=True)}, SuppressionState(), "An alarm of this vat is out of service"),
    ],
)
def test_work_on_the_probe_is_a_function_check(
    alarms: dict[str, AlarmState], work: SuppressionState, sentence: str
) -> None:
    carry = replace(carried(alarms, ElectrodeState(calibration=CALIBRATION)), suppression=work)
    status, findings = probe_health(MARROW, carry, config=CONFIG, at_us=AT_US)
    assert (status, len(findings)) == (Health.FUNCTION_CHECK, 1)
    assert findings[0].startswith(sentence)


def test_stirring_suspends_an_alarm_and_says_nothing_of_the_probe() -> None:
    stirred = SuppressionState(unsettled_us=(0, 1))
    carry = replace(carried(SUPPRESSED, ElectrodeState(calibration=CALIBRATION)), suppression=stirred)
    assert probe_health(MARROW, carry, config=CONFIG, at_us=AT_US) == (Health.GOOD, [])


def test_hours_in_which_nobody_watched_ask_for_a_look() -> None:
    electrode = ElectrodeState(calibration=CALIBRATION, unwatched_at_us=(AT_US, AT_US + 4 * HOUR_US))
    status, (finding,) = probe_health(MARROW, carried({}, electrode), config=CONFIG, at_us=AT_US + 4 * HOUR_US)
    assert status is Health.MAINTENANCE_REQUIRED
    assert finding.startswith("Not watched from ")


# Limits of 7 days and 3 days: common practice, no source.
@pytest.mark.parametrize(
    ("days", "check", "expected"),
    [
        (2.99, None, []),
        (3.01, None, [UNCHECKED]),
        (6.0, checked(3.5), []),
        (6.6, checked(3.5), [UNCHECKED]),
        (7.0, checked(6.0), []),
        (7.01, checked(6.0), [OVERDUE]),
        (30.0, checked(6.0), [OVERDUE]),
    ],
)
def test_calibration_and_check_are_reminded_of_once(days: float, check: Estimate | None, expected: list[str]) -> None:
    status, findings = judged(days=days, config=steady(), known=check)
    assert findings == expected
    assert status is (Health.MAINTENANCE_REQUIRED if expected else Health.GOOD)


def test_doubt_that_has_grown_too_large_is_reminded_of_before_the_calendar() -> None:
    # By quadrature (JCGM 100:2008, 5.1.2): 0.052 fresh and 0.10 after 7 days with 0.012 a day; with 0.02 a day it is
    # sqrt(0.052^2 + (0.02 * 5)^2) = 0.113 after 5 days.
    errors = ErrorModel(drift_ph_per_day=0.02)
    fast = replace(CONFIG, probes=tuple(replace(probe, errors=errors) for probe in CONFIG.probes))
    assert judged(days=2.0, config=fast) == (Health.GOOD, [])
    assert judged(days=5.0, config=fast) == (Health.MAINTENANCE_REQUIRED, [UNCERTAIN])


@pytest.mark.parametrize(("offset", "expected"), [(0.05, []), (-0.051, [OFF]), (0.2, [OFF])])
def test_a_drift_that_a_check_found_is_told(offset: float, expected: list[str]) -> None:
    assert judged(days=1.0, known=checked(1.0, offset))[1] == expected


def test_a_worn_electrode_is_told_by_the_calibration_in_force() -> None:
    slow = CalibrationPoint(buffer_ph=4.0, potential_mv=170.0, temperature_c=20.0, settle_s=200.0)
    status, findings = judged(line=replace(CALIBRATION, slope=0.90, points=(slow,)))
    assert status is Health.OUT_OF_SPECIFICATION
    assert [text[:24] for text in findings] == ["It took 200 s to settle ", "The slope is 90.0 % of t"]


def test_a_buffer_past_its_date_is_told_from_the_next_day_on() -> None:
    config = replace(CONFIG, buffers=(BufferConfig(id="nist-borax", lot="7", expires=date(2026, 11, 25)),))
    assert judged(config=config) == (Health.GOOD, [])
    status, findings = judged(config=config, days=1.0)
    assert (status, len(findings)) == (Health.MAINTENANCE_REQUIRED, 1)
    assert findings[0].startswith("Buffer borax, lot 7, expired on 2026-11-25")


def test_the_worst_finding_gives_the_status_and_comes_first() -> None:
    alarms = {"no-data": AlarmState(abnormal=True), "ph-high": AlarmState(suppressed_until_us=1)}
    carry = carried(alarms, ElectrodeState(calibration=CALIBRATION))
    status, findings = probe_health(MARROW, carry, config=CONFIG, at_us=AT_US + 8 * DAY_US)
    assert (status, findings[0][:15], findings[-1]) == (Health.FAILURE, "Nothing arrives", OVERDUE)


@given(st.floats(0, 60), st.floats(0, 0.1), st.none() | st.floats(0, 1), st.sampled_from([0.0, 0.07]))
def test_a_finding_stays_word_for_word_until_something_happens(
    days: float, later: float, share: float | None, offset: float
) -> None:
    known = None if share is None else checked(share * days, offset)
    first, second = judged(days=days, known=known), judged(days=days + later, known=known)
    calendar = {OVERDUE, UNCHECKED, UNCERTAIN}
    assert set(first[1]) - calendar == set(second[1]) - calendar
    assert len(calendar & set(second[1])) <= 1
    assert calendar & set(second[1]) or not calendar & set(first[1])


def test_a_check_that_nobody_could_expect_is_asked_for_again() -> None:
    found = "a check buffer was 4.00, the probe read 4.30, +0.30 off, which nobody expected"
    question = Question(u_ph=0.0115, text=found)
    status, findings = judged(days=1.0, known=replace(checked(0.5), question=question))
    assert status is Health.MAINTENANCE_REQUIRED
    (finding,) = findings
    assert finding == (
        "Probe or reference? A check buffer was 4.00, the probe read 4.30, +0.30 off, which nobody expected. Until a"
        " check about as good is as expected nothing is claimed: repeat it in fresh buffer, or calibrate."
    )
