"""What a later check says of a claim: against the straight line of a drift, and against a simulation."""

from dataclasses import replace
from itertools import pairwise
from math import sqrt

import numpy as np
import pytest

from logger.config import ErrorModel
from logger.measure import drift
from logger.measure.conformance import coverage_factor
from logger.measure.withdrawal import FoundDeviation, corrected_claim, of_check, of_points, reconsider
from logger.model import CalibrationPoint, CheckKind, Claim, TargetProgress
from tests.series import EPOCH_US, calibration, check, millivolts

DAY_US = 86_400_000_000
ERRORS = ErrorModel()
LINE = calibration()


def claim(ph: float = 4.45, *, days: float = 3.0, u: float = 0.062, errors: ErrorModel = ERRORS) -> Claim:
    at_us = EPOCH_US + round(days * DAY_US)
    return Claim(
        limit_ph=4.6,
        probability=0.95,
        ph=ph,
        u=u,
        z=coverage_factor(0.95),
        conformance=0.98,
        window_s=600.0,
        windows=3,
        calibration=1,
        at_us=at_us,
        seq=100,
        drift=drift.advance(drift.start(LINE, errors), errors, at_us=at_us),
        u_fit_ph=0.013,
    )


def found(deviation_ph: float, *, days: float = 6.0, u_ph: float = 0.02, in_brine: bool = False) -> FoundDeviation:
    at_us = EPOCH_US + round(days * DAY_US)
    return FoundDeviation(
        deviation_ph=deviation_ph, u_ph=u_ph, at_us=at_us, in_brine=in_brine, words="A buffer was off"
    )


def stands(made: Claim, what: FoundDeviation) -> bool:
    progress = reconsider(
        TargetProgress(claim=made, shows=3), what, ERRORS, calibration=1, at_us=what.at_us, elapsed_us=7
    )
    assert (progress.claim is None) == (progress.withdrawn is not None)
    return progress.claim is not None


def test_where_nothing_is_known_of_the_drift_it_is_the_straight_line_between_calibration_and_check() -> None:
    # As USGS TM1-D3 corrects drift: pH_final(t) = pH(t) - e1 (t - t0) / (t1 - t0); half of it half way.
    vague = ErrorModel(drift_ph_per_day=5.0, walk_ph_per_sqrt_day=0.0)
    made = claim(errors=vague, u=16.0, days=3.0)
    ph, _ = corrected_claim(replace(made, u_fit_ph=0.0), found(-0.16, u_ph=1e-6), vague)
    assert ph == pytest.approx(4.45 + 0.16 * 3.0 / 6.0, abs=1e-6)


def test_a_probe_found_to_read_too_high_gives_no_credit() -> None:
    assert corrected_claim(claim(), found(0.08), ERRORS)[0] == 4.45


def test_a_claim_stands_after_a_check_that_finds_nothing_and_falls_by_one_that_finds_too_much() -> None:
    assert stands(claim(), found(0.0))
    assert stands(claim(), found(-0.02))
    assert not stands(claim(), found(-0.15))


def test_a_check_never_makes_a_claim_more_doubtful() -> None:
    for deviation in (-0.2, 0.0, 0.2):
        for u_ph in (0.01, 0.07, 0.3):
            for in_brine in (False, True):
                _, u = corrected_claim(claim(), found(deviation, u_ph=u_ph, in_brine=in_brine), ERRORS)
                assert 0.0 < u <= 0.062


def test_a_deviation_that_nobody_could_expect_counts_whole() -> None:
    # A jump, not a drift: beyond three standard deviations.
    assert corrected_claim(claim(days=0.01), found(-0.12, days=0.02), ERRORS) == (pytest.approx(4.57), 0.062)


def test_a_strip_says_less_than_a_meter() -> None:
    # Spot checks: standard uncertainty 0.05 of a meter, 0.2 of a strip, each with a junction.
    meter, strip = (of_check(check(-0.15, kind=CheckKind.SPOT, at_s=4 * 86400.0), ERRORS) for _ in range(2))
    meter, strip = (replace(one, u_ph=sqrt(u**2 + 0.05**2)) for one, u in ((meter, 0.05), (strip, 0.2)))
    by_meter, by_strip = corrected_claim(claim(), meter, ERRORS)[0], corrected_claim(claim(), strip, ERRORS)[0]
    assert 4.45 < by_strip < 4.47 < by_meter


def test_a_check_with_another_calibration_says_nothing_of_the_claim() -> None:
    progress = TargetProgress(claim=claim())
    after = reconsider(progress, found(-0.4), ERRORS, calibration=2, at_us=0, elapsed_us=0)
    assert after is progress


def test_as_found_in_two_buffers_is_taken_where_the_claim_lies() -> None:
    # Offset -0.05 at 4.005 and +0.03 at 6.865 (a slope that has changed): a straight line between them.
    points = [
        CalibrationPoint(buffer_ph=ph, potential_mv=millivolts(ph + off, 25.0), temperature_c=25.0)
        for ph, off in ((4.005, -0.05), (6.865, 0.03))
    ]
    at_45 = of_points(LINE, points, ph=4.5, at_us=EPOCH_US).deviation_ph
    assert at_45 == pytest.approx(-0.05 + 0.08 * (4.5 - 4.005) / (6.865 - 4.005), abs=1e-4)
    assert of_points(LINE, points, ph=3.5, at_us=EPOCH_US).deviation_ph == pytest.approx(-0.05, abs=1e-4)


@pytest.mark.parametrize("in_brine", [False, True])
def test_what_is_known_after_the_check_is_right_as_often_as_it_says(in_brine: bool) -> None:  # noqa: FBT001 - a parameter
    # By simulation of the error model (JCGM 101): drift of constant rate and a walk, calibration's error, junction.
    rng, n = np.random.default_rng(11), 40_000
    made = claim()
    rate, fit = rng.normal(0, ERRORS.drift_ph_per_day, n), rng.normal(0, made.u_fit_ph, n)
    junction = rng.normal(0, ERRORS.junction_ph, n)
    walk = rng.normal(0, ERRORS.walk_ph_per_sqrt_day * sqrt(3.0), (2, n))
    then, later = 3.0 * rate + walk[0], 6.0 * rate + walk[0] + walk[1]
    u_ph = sqrt(0.05**2 + ERRORS.junction_ph**2) if in_brine else 0.0153
    seen = later + fit + (junction if in_brine else 0.0) + rng.normal(0, u_ph, n)
    error = then + fit + junction
    u_all = float(np.sqrt(made.drift.var_offset + made.u_fit_ph**2 + ERRORS.junction_ph**2))
    deviations = np.linspace(-0.15, -0.02, 8)
    for low, high in pairwise(deviations):
        those = (seen >= low) & (seen < high)
        what = found(float(seen[those].mean()), u_ph=u_ph, in_brine=in_brine)
        ph, u = corrected_claim(replace(made, u=u_all), what, ERRORS)
        assert ph - made.ph == pytest.approx(-float(error[those].mean()), abs=4 * 0.06 / sqrt(those.sum()) + 0.001)
        assert u == pytest.approx(float(error[those].std()), rel=0.1)
