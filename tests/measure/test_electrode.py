"""Condition and forecast of an electrode, against the design's limits and scipy's regression."""

from typing import Any

import numpy as np
import pytest
from scipy import stats

from logger.config import CalibrationLimits
from logger.measure.electrode import (
    HORIZON_D,
    STUDENT_975,
    CalibrationSummary,
    Outlook,
    as_found_checks,
    condition,
    forecast,
    history,
)
from logger.model import Calibration, CalibrationPoint, Check, CheckKind, Health
from logger.structs import replace
from logger.units import DAY_US
from tests.series import EPOCH_US, calibration

FRESH = CalibrationSummary(calibration=1, at_us=EPOCH_US, electrode="E1", slope_percent=98.0, offset_mv=3.0)
BORDERS = CalibrationLimits()
GOOD, MAINTENANCE, OUT, FAILURE = (
    Health.GOOD,
    Health.MAINTENANCE_REQUIRED,
    Health.OUT_OF_SPECIFICATION,
    Health.FAILURE,
)


def worst(**values: Any) -> Health:  # noqa: ANN401 - fields of it
    found = condition(replace(FRESH, **values), BORDERS)
    return found[0].status if found else GOOD


# Common practice, no source: just inside and just outside of each limit.
@pytest.mark.parametrize(
    ("slope_percent", "status"),
    [
        (84.9, FAILURE), (85.0, MAINTENANCE), (91.9, MAINTENANCE), (92.0, GOOD),
        (102.0, GOOD), (102.1, MAINTENANCE), (105.0, MAINTENANCE), (105.1, FAILURE),
    ],
)  # fmt: skip
def test_the_slope_tells_the_condition(slope_percent: float, status: Health) -> None:
    assert worst(slope_percent=slope_percent) is status


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("mv", "status"), [(30.0, GOOD), (30.1, MAINTENANCE), (60.0, MAINTENANCE), (60.1, FAILURE)])
def test_the_offset_tells_the_condition(mv: float, status: Health, sign: int) -> None:
    assert worst(offset_mv=sign * mv) is status


@pytest.mark.parametrize(
    ("name", "value", "status"),
    [
        ("t95_s", 60.0, GOOD), ("t95_s", 61.0, MAINTENANCE), ("t95_s", 180.0, MAINTENANCE), ("t95_s", 181.0, OUT),
        ("drift_ph_per_day", 0.03, GOOD), ("drift_ph_per_day", -0.031, MAINTENANCE),
        ("drift_ph_per_day", 0.08, MAINTENANCE), ("drift_ph_per_day", -0.081, OUT),
        ("noise_mv", 0.5, GOOD), ("noise_mv", 0.51, MAINTENANCE),
    ],
)  # fmt: skip
def test_slowness_drift_and_noise_tell_the_condition(name: str, value: float, status: Health) -> None:
    assert worst(**{name: value}) is status


def test_every_finding_says_what_to_do_and_the_worst_comes_first() -> None:
    tired = replace(FRESH, slope_percent=80.0, offset_mv=-40.0, t95_s=200.0, noise_mv=0.9, drift_ph_per_day=0.1)
    found = condition(tired, BORDERS)
    assert [f.status for f in found] == [FAILURE, OUT, OUT, MAINTENANCE, MAINTENANCE]
    assert found[0].text == (
        "The slope is 80.0 % of the Nernst slope, below 85 %: the glass is worn out, dirty or cracked. Clean it; if "
        "that does not help, replace the electrode."
    )
    assert all(f.text.endswith(".") and ":" in f.text for f in found)


def made(number: int, day: float, slope: float = 0.98, settle_s: float | None = None) -> Calibration:
    points = tuple(
        CalibrationPoint(buffer_ph=ph, potential_mv=0.0, temperature_c=25.0, settle_s=settle_s, noise_mv=0.1 * ph)
        for ph in (4.0, 7.0)
    )
    at_us = EPOCH_US + round(day * DAY_US)
    return replace(calibration(), id=number, at_us=at_us, slope=slope, points=points, electrode="E1")


def check(
    number: int, of: int, day: float, deviation: float, *, ph: float = 4.0, kind: CheckKind = CheckKind.AS_FOUND
) -> Check:
    return Check(
        id=number, probe="probe", at_us=EPOCH_US + round(day * DAY_US), kind=kind, calibration=of,
        reference_ph=ph, u_reference_ph=0.01, reading_ph=ph + deviation, deviation_ph=deviation, tolerance_ph=0.05,
        passed=abs(deviation) <= 0.05,
    )  # fmt: skip


def test_a_life_tells_each_calibration_with_how_the_one_before_was_found() -> None:
    # Our own wording: "since 9 days: +0.06 at 4.01 (+0.007/day)"
    calibrations = [made(3, 12.0, 0.96), made(1, 0.0), made(2, 9.0, 0.97, settle_s=40.0)]
    checks = [
        check(1, 1, 4.0, 0.5, kind=CheckKind.BUFFER),
        check(2, 1, 9.0, 0.06),
        check(3, 1, 9.0, -0.02, ph=7.0),
        check(4, 2, 12.0, -0.09),
    ]
    first, second, third = history(calibrations, checks)
    assert [v.calibration for v in (first, second, third)] == [1, 2, 3]
    assert (first.found_ph, first.drift_ph_per_day, first.t95_s) == (None, None, None)
    assert (second.found_ph, second.t95_s, second.noise_mv) == (0.06, 40.0, pytest.approx(0.7))
    assert second.drift_ph_per_day == pytest.approx(0.06 / 9)
    assert third.drift_ph_per_day == pytest.approx(-0.03)
    assert third.slope_percent == pytest.approx(96.0)


def test_a_calibration_repeated_at_once_tells_no_drift_a_day() -> None:
    _, again = history([made(1, 0.0), made(2, 0.1)], [check(1, 1, 0.1, 0.03)])
    assert (again.found_ph, again.drift_ph_per_day) == (0.03, None)


def test_of_two_attempts_the_newest_check_of_each_buffer_counts() -> None:
    checks = [check(1, 1, 9.0, 0.30), check(2, 1, 9.0, 0.01, ph=6.86), check(3, 1, 9.1, 0.05), check(4, 1, 20.0, 0.9)]
    found = as_found_checks(checks, made(1, 0.0), until_at_us=EPOCH_US + 10 * DAY_US)
    assert [(c.reference_ph, c.deviation_ph) for c in found] == [(4.0, 0.05), (6.86, 0.01)]


def test_what_a_new_electrode_reads_with_the_old_calibration_tells_nothing_of_it() -> None:
    checks = [replace(check(1, 1, 9.0, 0.30), electrode="E2"), replace(check(2, 1, 9.0, 0.02, ph=6.9), electrode="E1")]
    assert [c.id for c in as_found_checks(checks, made(1, 0.0))] == [2]


def test_student_quantiles_are_those_of_scipy() -> None:
    assert len(STUDENT_975) == 30
    np.testing.assert_allclose(STUDENT_975, stats.t.ppf(0.975, np.arange(1, 31)), atol=6e-4)


def visits(slopes: list[float], every_d: float = 7.0) -> list[CalibrationSummary]:
    return [
        replace(FRESH, calibration=n, at_us=EPOCH_US + round(n * every_d * DAY_US), slope_percent=slope)
        for n, slope in enumerate(slopes)
    ]


def test_the_prediction_interval_is_that_of_the_textbook_line() -> None:
    slopes = [98.4, 97.1, 96.7, 95.2, 94.9, 93.4, 92.8]
    now_us = EPOCH_US + 45 * DAY_US
    found = forecast(visits(slopes), limit_percent=85.0, at_us=now_us)
    # Independent: scipy.stats.linregress for line and standard errors, Student's t by scipy, the prediction interval
    # for one further observation from u of slope and intercept and their correlation (as in GUM H.3).
    x = np.arange(7) * 7.0
    line = stats.linregress(x, slopes)
    s2 = np.sum((np.array(slopes) - line.intercept - line.slope * x) ** 2) / 5
    days = 45.0 + np.arange(HORIZON_D + 1)
    cov = -x.mean() * line.stderr**2
    u2 = line.intercept_stderr**2 + days**2 * line.stderr**2 + 2 * days * cov + s2
    middle, half = line.intercept + line.slope * days, stats.t.ppf(0.975, 5) * np.sqrt(u2)
    expected = [int(np.argmax(bound <= 85.0)) for bound in (middle - half, middle, middle + half)]
    times = (found.earliest_at_us, found.likely_at_us, found.latest_at_us)
    assert found.outlook is Outlook.LIKELY
    assert [(t - now_us) / DAY_US for t in times if t] == expected
    assert found.percent_per_day == pytest.approx(line.slope)
    assert expected[0] < expected[1] < expected[2]


def test_the_interval_holds_the_next_calibration_as_often_as_it_says() -> None:
    # 2000 electrodes with a known wear and scatter: the ninth calibration lies within the 95 % interval of the first
    # eight. Asked with that slope as the limit, the bounds pass it before and after the day on which it was made.
    random, held, at_us = np.random.default_rng(7), 0, EPOCH_US + 49 * DAY_US
    for _ in range(2000):
        slopes = 120.0 - 2.0 * np.arange(9) + 0.3 * random.standard_normal(9)
        found = forecast(visits(slopes[:8].tolist()), limit_percent=float(slopes[8]), at_us=at_us)
        day = EPOCH_US + 56 * DAY_US
        assert found.outlook is Outlook.LIKELY
        assert found.earliest_at_us is not None
        assert found.latest_at_us is not None
        held += found.earliest_at_us <= day < found.latest_at_us
    assert held / 2000 == pytest.approx(0.95, abs=0.015)  # 3 standard deviations of a binomial share


@pytest.mark.parametrize(
    ("slopes", "outlook", "why"),
    [
        ([], Outlook.CANNOT_SAY, "0 of the 4 calibrations that a forecast needs"),
        ([98.0, 97.0, 96.0], Outlook.CANNOT_SAY, "3 of the 4 calibrations that a forecast needs"),
        ([98.0, 97.0, 96.0, 84.9], Outlook.REACHED, "the newest calibration is below the limit"),
        ([84.0], Outlook.REACHED, "the newest calibration is below the limit"),
        ([98.0, 98.0, 98.0, 98.0], Outlook.NOT_BEFORE, "no sign of wear that far"),
        ([98.0, 97.0, 98.5, 97.2], Outlook.NOT_BEFORE, "the decline does not stand out of the scatter yet"),
        ([98.0, 88.0, 101.0, 86.0], Outlook.CANNOT_SAY, "the calibrations scatter too much"),
    ],
)
def test_where_the_calibrations_do_not_tell_no_date_is_named(slopes: list[float], outlook: Outlook, why: str) -> None:
    found = forecast(visits(slopes), limit_percent=85.0, at_us=EPOCH_US + 22 * DAY_US)
    assert (found.outlook, found.why, found.likely_at_us) == (outlook, why, None)


def test_calibrations_of_one_day_make_no_forecast() -> None:
    found = forecast(visits([98.0, 97.9, 97.8, 97.7], every_d=0.1), limit_percent=85.0, at_us=EPOCH_US + DAY_US)
    assert (found.outlook, found.why) == (Outlook.CANNOT_SAY, "all calibrations were made within a day")
