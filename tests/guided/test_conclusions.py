"""What comes of the points: cards, checks as found, checks in a buffer and beside another instrument."""

import numpy as np
import pytest

from logger.errors import RefusedError
from logger.guided import calibrating, verifying
from logger.guided.immersion import CalibrationInForce
from logger.guided.state_machine import TakenPoint
from logger.guided.verifying import CheckPlan
from logger.measure.comparison import Present, Spot
from logger.model import Acceptance, Calibration, CalibrationPoint, CheckKind, Measurements, Quality
from logger.structs import replace
from tests.guided.factories import BEGIN_US, PH, PROBE, SECOND_US, calibration, potential_mv

DAY_US = 86_400 * SECOND_US


def in_glasses(names: tuple[str, ...] = tuple(PH), *, slope: float = 0.98, offset_mv: float = 5.0) -> list[TakenPoint]:
    return [
        TakenPoint(
            point=CalibrationPoint(
                buffer_ph=PH[name],
                potential_mv=potential_mv(PH[name], slope=slope, offset_mv=offset_mv),
                temperature_c=25.0,
                buffer=name,
                lot="L1",
            ),
            at_us=BEGIN_US + minute * 60 * SECOND_US,
        )
        for minute, name in enumerate(names)
    ]


def order(in_force: Calibration | None = None) -> calibrating.CalibrationPlan:
    return calibrating.CalibrationPlan(probe=PROBE, by="tova", in_force=in_force)


def test_as_found_is_what_the_one_in_force_reads_in_the_same_glasses() -> None:
    in_force = calibration(offset_mv=5.0)
    made, checks = calibrating.fit_and_judge(order(in_force), in_glasses(offset_mv=5.0 + 2.9))
    # 2.9 mV on 98 % of 59.1593 mV a pH (CODATA, 25 C) is 0.0500 pH lower
    assert [c.deviation_ph for c in checks] == pytest.approx([-2.9 / (0.98 * 59.1593)] * 3, abs=1e-4)
    assert {(c.kind, c.calibration, c.lot, c.electrode, c.by) for c in checks} == {
        (CheckKind.AS_FOUND, 7, "L1", "E-17", "tova")
    }
    assert {c.at_us for c in checks} == {made.at_us}  # one finding, however long it took


def test_found_well_off_fails_the_check_tolerance() -> None:
    _, checks = calibrating.fit_and_judge(order(calibration()), in_glasses(offset_mv=8.1))
    assert [c.passed for c in checks] == [False] * 3


def test_a_refused_one_leaves_no_checks_and_asks_for_no_yes() -> None:
    concluded = calibrating.conclusion(order(calibration()), in_glasses(slope=0.40))
    assert (concluded.is_refused, concluded.checks) == (True, ())
    assert "REFUSED" in concluded.lines[1]
    assert any("The calibration in force stays" in line for line in concluded.lines)


def test_one_that_is_used_later_tells_how_the_one_in_force_then_was_found_when_it_was_made() -> None:
    in_force = calibration(offset_mv=5.0)
    made, checks = calibrating.fit_and_judge(order(in_force), in_glasses(offset_mv=5.0 + 2.9))
    assert calibrating.new_as_found_checks(order(in_force), made) == checks
    assert {check.at_us for check in checks} == {made.at_us}
    assert calibrating.new_as_found_checks(replace(order(in_force), checks=checks), made) == ()  # known already


def test_buffers_that_were_read_before_the_one_in_force_was_made_tell_nothing_of_it() -> None:
    made, _ = calibrating.fit_and_judge(order(), in_glasses())
    assert calibrating.new_as_found_checks(order(), made) == ()
    assert calibrating.new_as_found_checks(order(calibration(at_us=made.at_us + 1)), made) == ()
    assert calibrating.new_as_found_checks(order(replace(calibration(), electrode="E-3")), made) == ()


def test_an_expired_buffer_is_a_warning() -> None:
    from datetime import date  # noqa: PLC0415 - only here

    from logger.measure.buffers import BUFFERS  # noqa: PLC0415 - only here

    stale = replace(BUFFERS["gbt-borax"], expires=date(2020, 1, 1), lot="old")
    made, _ = calibrating.fit_and_judge(replace(order(), buffers=(stale,)), in_glasses())
    assert made.verdict is Acceptance.WARNED
    assert any("expired on 2020-01-01" in text for text in made.findings)


def test_three_findings_of_one_electrode_make_its_own_drift_rate() -> None:
    # three intervals of 10 days, each found +0.10, -0.10, +0.10 off: 0.01 a day, times 1.4826 (robust sd, from memory)
    calibrations, checks = [], []
    for number, off_ph in enumerate([0.10, -0.10]):
        line = replace(calibration(at_us=BEGIN_US - (30 - 10 * number) * DAY_US), id=number + 1)
        calibrations.append(line)
        later = replace(line, at_us=line.at_us + 10 * DAY_US)
        found = calibrating.as_found_checks(order(), later, line)
        checks += [replace(c, deviation_ph=off_ph) for c in found]
    last = replace(calibration(at_us=BEGIN_US - 10 * DAY_US, offset_mv=5.0), id=3)
    asked = replace(order(last), calibrations=(*calibrations, last), checks=tuple(checks))
    off_mv = 0.10 * 0.98 * 59.1593
    made, _ = calibrating.fit_and_judge(asked, in_glasses(offset_mv=5.0 - off_mv))
    assert made.drift_ph_per_day == pytest.approx(0.0148, abs=0.0002)


def checking(tolerance_ph: float = 0.05, **standing: object) -> CheckPlan:
    line = calibration(at_us=BEGIN_US - 7 * DAY_US)
    now = CalibrationInForce(calibration=line, **standing)  # type: ignore[arg-type]
    return CheckPlan(probe=PROBE, vat="marrow", by="tova", tolerance_ph=tolerance_ph, in_force=line, standing=now)


@pytest.mark.parametrize(
    ("off_ph", "passed", "word"), [(0.04, True, "PASS"), (0.06, False, "FAIL"), (-0.06, False, "FAIL")]
)
def test_a_check_buffer_passes_within_the_tolerance(off_ph: float, passed: bool, word: str) -> None:  # noqa: FBT001 - a case
    # +/-0.05 pH: USP <791>, Ph. Eur. 2.2.3 (secondary sources)
    off_mv = -off_ph * 0.98 * 59.1593
    concluded = verifying.conclusion(checking(), in_glasses(("gbt-phthalate",), offset_mv=5.0 + off_mv))
    (check,) = concluded.checks
    assert (check.kind, check.passed, concluded.is_asked) == (CheckKind.BUFFER, passed, False)
    assert check.deviation_ph == pytest.approx(off_ph, abs=1e-4)
    assert word in " ".join(concluded.lines)


def test_a_check_buffer_after_a_week_halves_the_doubt_or_nearly() -> None:
    # By hand from the usual errors: sqrt(0.05^2 + (7 x 0.012)^2) = 0.10 unchecked at 7 days, 0.05 fresh.
    order_ = checking()
    (check,) = verifying.conclusion(order_, in_glasses(("gbt-phthalate",))).checks
    found = verifying.uncertainty_change(order_, check)
    assert found.before / 2 == pytest.approx(0.10, abs=0.01)
    assert found.after / 2 == pytest.approx(0.055, abs=0.01)
    assert found.believed


def test_a_check_that_nobody_could_expect_leaves_more_doubt_and_holds_the_claim() -> None:
    order_ = checking()
    far = in_glasses(("gbt-phthalate",), offset_mv=5.0 + 60.0)
    concluded = verifying.conclusion(order_, far)
    found = verifying.uncertainty_change(order_, concluded.checks[0])
    assert not found.believed
    assert found.after > 2 * 0.9  # an error of 1 pH that is not corrected (GUM F.2.4.5)
    assert "nothing is claimed until a check about as good is as expected" in " ".join(concluded.lines)


def records(ph: list[float], *, quality: Quality = Quality.PASS, line: int = 7) -> Measurements:
    """Return records ten seconds apart, the last at BEGIN_US."""
    count = len(ph)
    at_us = BEGIN_US - np.arange(count)[::-1] * 10 * SECOND_US
    return Measurements(
        seq=np.arange(1, count + 1),
        at_us=at_us,
        elapsed_us=at_us - BEGIN_US + 10_000 * SECOND_US,
        potential_mv=np.full(count, 150.0),
        temperature_c=np.full(count, 20.0),
        reason=np.zeros(count, dtype=np.int64),
        reference_ph=np.full(count, np.nan),
        reference_u=np.full(count, np.nan),
        ph=np.array(ph),
        u=np.full(count, 0.06),
        quality=np.full(count, int(quality)),
        tests=np.zeros(count, dtype=np.int64),
        previous_spike=np.zeros(count, dtype=np.int64),
        calibration=np.full(count, line),
        belief=np.zeros(count, dtype=np.int64),
        since_at_us=at_us,
        check=np.zeros(count, dtype=np.int64),
        spot=np.zeros(count, dtype=np.int64),
    )


def test_the_present_reading_is_the_median_of_ten_minutes() -> None:
    found = verifying.present(checking(), [records([9.0] * 40 + [4.70] * 29 + [4.74] * 32)], at_us=BEGIN_US)
    assert (found.ph, found.temperature_c, found.at_us) == (4.74, 20.0, BEGIN_US)
    assert 0.05 < found.u_ph < 0.06  # a median shrinks the repeatability only


@pytest.mark.parametrize(
    ("made", "standing"),
    [
        ([], {}),
        ([records([4.7, 4.7])], {}),
        ([records([4.7] * 30, quality=Quality.SUSPECT)], {}),
        ([records([float("nan")] * 30)], {}),
        ([records([4.7] * 30, line=6)], {}),
        ([records([4.7] * 30)], {"fresh_us": 9_990 * SECOND_US}),
        ([records([4.7] * 30)], {"elsewhere": "the probe is marked out"}),
    ],
    ids=["none", "two", "doubtful", "no pH", "another calibration", "just back in the vat", "elsewhere"],
)
def test_what_is_no_present_reading_of_the_vat_is_refused(
    made: list[Measurements], standing: dict[str, object]
) -> None:
    with pytest.raises(RefusedError):
        verifying.present(checking(**standing), made, at_us=BEGIN_US)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("spot_ph", "agrees", "passed"),
    [(4.71, "The two agree", True), (4.60, "The two agree", False), (4.2, "do not agree", False)],
)
def test_a_spot_measurement_is_compared_with_both_doubts(spot_ph: float, agrees: str, passed: bool) -> None:  # noqa: FBT001 - a case
    order_ = checking(tolerance_ph=0.1)
    now = Present(ph=4.74, u_ph=0.055, temperature_c=20.0, at_us=BEGIN_US)
    check = verifying.spot_check(order_, Spot(ph=spot_ph, u_ph=0.05, instrument="hand meter"), now)
    assert (check.kind, check.passed, check.instrument) == (CheckKind.SPOT, passed, "hand meter")
    assert check.deviation_ph == pytest.approx(4.74 - spot_ph)
    assert agrees in " ".join(verifying.lines(order_, check))


@pytest.mark.parametrize(
    ("ph", "u_ph"), [(-1.0, 0.05), (15.0, 0.05), (4.7, 0.0), (4.7, 2.0), (float("nan"), 0.05), (4.7, float("nan"))]
)
def test_what_is_no_measurement_is_refused(ph: float, u_ph: float) -> None:
    now = Present(ph=4.74, u_ph=0.055, temperature_c=20.0, at_us=BEGIN_US)
    with pytest.raises(RefusedError, match="a spot measurement must be"):
        verifying.spot_check(checking(), Spot(ph=ph, u_ph=u_ph, instrument=""), now)
