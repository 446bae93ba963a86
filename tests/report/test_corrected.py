"""Corrections after the fact, against proration by hand, an electrode worked from scratch, and a simulated walk."""

from math import log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from logger.config import ErrorModel
from logger.errors import RefusedError
from logger.measure import estimate
from logger.measure.calibration import fit, ph_of
from logger.measure.uncertainty import fit_uncertainty, standard_uncertainty
from logger.model import CalibrationPoint, CheckKind, Correction, Deviation, Floats, Measurements
from logger.report.corrected import Corrected, correct, in_force, proposed, revocation, sentence
from logger.structs import replace
from logger.units import DAY_US
from tests.store.factories import START_US, check, measurements

ERRORS = ErrorModel()
CELSIUS = 20.0
K_MV = 1000 * constants.R * (CELSIUS + 273.15) * log(10) / constants.value("Faraday constant")
"""Nernst slope at 20 C (CODATA, by scipy)."""


def electrode_mv(ph: float, offset_mv: float, slope: float) -> float:
    """What an electrode gives at 20 C."""
    return float(offset_mv + slope * K_MV * (7 - ph))


LINE = replace(
    fit(
        [CalibrationPoint(buffer_ph=ph, potential_mv=electrode_mv(ph, 4.0, 0.98), temperature_c=CELSIUS)
         for ph in (4.0, 6.88)],
        probe="marrow-probe", at_us=START_US, by="tova",
    ),
    id=1,
)  # fmt: skip


def found(*deviations: tuple[float, float], days: float = 6.0, u_ph: float = 0.015) -> Correction:
    """The correction of LINE, found off by (reference, deviation) after so many days."""
    return Correction(
        id=7, probe="marrow-probe", at_us=START_US, calibration=1, since_at_us=START_US,
        until_at_us=START_US + round(days * DAY_US), by="tova", why="as found",
        deviations=tuple(Deviation(check=n, reference_ph=ph, deviation_ph=e, u_ph=u_ph)
                         for n, (ph, e) in enumerate(deviations, start=1)),
    )  # fmt: skip


def records(days: Floats, ph: Floats, *, calibration: int = 1) -> Measurements:
    count = len(days)
    rows = measurements(1, count, calibration=calibration)
    at_us = START_US + np.round(days * DAY_US).astype(np.int64)
    return replace(rows, at_us=at_us, ph=ph, temperature_c=np.full(count, CELSIUS))


def corrected(one: Correction, days: list[float], ph: list[float]) -> Corrected:
    return correct(records(np.array(days), np.array(ph)), [one], {1: LINE}, errors=ERRORS)


def test_an_offset_is_taken_off_in_proportion_to_the_time_since_the_calibration() -> None:
    # By hand, as two visits to a station are prorated (USGS TM1-D3, from memory): +0.06 found after 6 days is 0.01 a
    # day, so day 0 keeps its value, day 2 loses 0.02, day 3 loses 0.03, and day 6 and after lose 0.06.
    made = corrected(found((4.0, 0.06)), [-0.01, 0.0, 2.0, 3.0, 6.0, 6.2], [4.60, 4.60, 4.60, 5.00, 4.60, 4.60])
    np.testing.assert_allclose(made.ph, [4.60, 4.60, 4.58, 4.97, 4.54, 4.54], atol=1e-12)
    assert made.correction.tolist() == [7] * 6


@given(
    ph=st.floats(2.5, 9.5),
    share=st.floats(0, 1),
    offset_mv=st.floats(-10, 10),
    slope=st.floats(0.9, 1.0),
)
def test_an_electrode_whose_offset_and_slope_drift_evenly_is_corrected_to_the_true_ph(
    ph: float, share: float, offset_mv: float, slope: float
) -> None:
    # The electrode goes in a straight line from (4.0 mV, 0.98) to (offset_mv, slope); the reading is that of LINE.
    def read(true_ph: float, w: float) -> float:
        mv = electrode_mv(true_ph, 4.0 + w * (offset_mv - 4.0), 0.98 + w * (slope - 0.98))
        return float(ph_of(LINE, np.array([mv]), np.array([CELSIUS])).item())

    one = found(*((buffer, read(buffer, 1.0) - buffer) for buffer in (4.0, 6.88)))
    made = corrected(one, [6.0 * share], [read(ph, share)])
    assert made.ph.item() == pytest.approx(ph, abs=2e-6)  # times are whole microseconds


def test_a_third_buffer_speaks_only_for_its_own_side() -> None:
    # Common practice, no source: aged borax must not bend what is read below 6.86.
    three, two = found((4.0, 0.06), (6.88, 0.02), (9.22, -0.08)), found((4.0, 0.06), (6.88, 0.02))
    days, ph = [6.0] * 4, [3.5, 4.06, 5.0, 6.90]
    np.testing.assert_allclose(corrected(three, days, ph).ph, corrected(two, days, ph).ph, atol=1e-12)
    # In the buffers themselves the reading is put right, whatever was found.
    np.testing.assert_allclose(corrected(three, [6.0] * 3, [4.06, 6.90, 9.14]).ph, [4.0, 6.88, 9.22], atol=1e-12)


def test_two_buffers_close_together_tell_of_the_offset_only() -> None:
    made = corrected(found((4.00, 0.05), (4.01, 0.07)), [6.0, 6.0], [4.6, 9.0])
    np.testing.assert_allclose(made.ph, [4.54, 8.94], atol=1e-12)


def u_after(days: float, ph: np.ndarray, warm_c: np.ndarray) -> np.ndarray:
    """Return u of a published reading so many days after the calibration."""
    known = estimate.start(LINE, ERRORS)
    return standard_uncertainty(LINE, ERRORS, known, days=np.array([days]), ph=ph, temperature_c=warm_c)


def part_of_drift(one: Correction, share: float, ph: float) -> float:
    """The variance that stands in the place of calibration and drift."""
    made = corrected(one, [share * (one.until_at_us - one.since_at_us) / DAY_US], [ph])
    at_ph, warm_c = np.array([ph]), np.array([CELSIUS])
    fresh = u_after(0.0, at_ph, warm_c)
    fit_u = fit_uncertainty(LINE, ph=at_ph, temperature_c=warm_c)
    return float((made.u**2 - fresh**2 + fit_u**2).item())


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.9, 1.0])
def test_the_doubt_is_that_of_a_brownian_bridge(share: float) -> None:
    # By hand: u_d^2 = w^2 u_chk^2 + (1-w)^2 u0^2 + q^2 (t1-t0) w (1-w), u0 that of the calibration.
    at = {"ph": np.array([4.0]), "temperature_c": np.array([CELSIUS])}
    u0 = fit_uncertainty(LINE, **at).item()
    w, expected = share, share**2 * 0.015**2 + (1 - share) ** 2 * u0**2 + 0.006**2 * 9 * share * (1 - share)
    assert part_of_drift(found((4.0, 0.06), days=9.0), w, 4.0) == pytest.approx(expected, rel=1e-6)


def test_the_doubt_is_what_a_simulated_walk_leaves() -> None:
    # 20,000 electrodes with an unknown start, a rate of their own and a walk: what is left after the correction.
    random, steps, days = np.random.default_rng(3), 90, 9.0
    at = {"ph": np.array([4.0]), "temperature_c": np.array([CELSIUS])}
    u0 = fit_uncertainty(LINE, **at).item()
    start, rate = u0 * random.standard_normal((20_000, 1)), 0.012 * random.standard_normal((20_000, 1))
    walk = np.cumsum(0.006 * np.sqrt(days / steps) * random.standard_normal((20_000, steps)), axis=1)
    w = np.arange(1, steps + 1) / steps
    error = start + rate * days * w + walk
    seen = error[:, -1:] + 0.015 * random.standard_normal((20_000, 1))
    left = (error - w * seen).std(axis=0)
    for step in (9, 45, 80, 89):
        told = part_of_drift(found((4.0, 0.06), days=days), float(w[step]), 4.0) ** 0.5
        assert told == pytest.approx(left[step], rel=0.03)


def test_after_it_was_found_off_the_doubt_grows_again() -> None:
    # A calibration that was found off may stay in force (the new one was refused): ten days on it has drifted by
    # 0.012 pH a day and walked by 0.006 pH a square-root day (common practice, no source).
    then, later = corrected(found((4.0, 0.06)), [6.0, 16.0], [4.6, 4.6]).u
    assert later**2 - then**2 == pytest.approx((0.012 * 10) ** 2 + 0.006**2 * 10)


def test_away_from_the_buffers_the_doubt_grows() -> None:
    one, two = found((4.0, 0.06)), found((4.0, 0.06), (6.88, 0.02))
    for decided, ph in ((one, [4.0, 5.0, 6.0]), (two, [5.4, 7.5, 8.5])):
        near, far, farther = (part_of_drift(decided, 1.0, value) for value in ph)
        assert near < far < farther


def test_a_correction_makes_old_readings_less_doubtful_than_they_were() -> None:
    published = u_after(9.0, np.array([4.6]), np.array([CELSIUS]))
    assert corrected(found((4.0, 0.06), days=9.0), [9.0], [4.6]).u.item() < 0.6 * published.item()


def test_records_of_other_calibrations_and_without_a_ph_stay_without_one() -> None:
    rows = records(np.array([1.0, 2.0]), np.array([4.5, np.nan]))
    other = records(np.array([7.0]), np.array([4.5]), calibration=2)
    made = correct(rows.then(other), [found((4.0, 0.06))], {1: LINE}, errors=ERRORS)
    assert np.isnan(made.ph).tolist() == np.isnan(made.u).tolist() == [False, True, True]
    assert made.correction.tolist() == [7, 7, 0]


@pytest.mark.parametrize("cut", [1, 3, 7])
def test_the_view_is_the_same_however_the_records_come(cut: int) -> None:
    rows = records(np.linspace(0, 7, 8), np.linspace(6, 4, 8))
    one = found((4.0, 0.06), (6.88, -0.03))
    whole = correct(rows, [one], {1: LINE}, errors=ERRORS)
    parts = Corrected.concatenate([correct(p, [one], {1: LINE}, errors=ERRORS) for p in (rows[:cut], rows[cut:])])
    np.testing.assert_array_equal(whole.ph, parts.ph)
    np.testing.assert_array_equal(whole.u, parts.u)


AS_FOUND = replace(
    check(potential_mv=171.0), id=5, at_us=START_US + 6 * DAY_US, reference_ph=4.005, u_reference_ph=0.011547
)


def test_what_is_proposed_names_the_checks_it_rests_on() -> None:
    spot = replace(AS_FOUND, id=9, kind=CheckKind.SPOT)
    made = proposed(LINE, [AS_FOUND, spot], [], at_us=START_US + 7 * DAY_US, by="tova", why="as found")
    (only,) = made.deviations
    assert (only.check, only.reference_ph, only.deviation_ph) == (5, 4.005, 0.06)
    # The buffer's 0.02 / sqrt(3), and 0.01 of a settled reading: sqrt(0.011547^2 + 0.01^2) = 0.01528
    assert only.u_ph == pytest.approx(0.01528, abs=5e-6)
    assert (made.calibration, made.since_at_us, made.until_at_us) == (1, START_US, AS_FOUND.at_us)
    assert sentence(replace(made, id=1)) == (
        "Correction 1 of the records of calibration 1, 2026-09-21T14:13:20Z to 2026-09-27T14:13:20Z: found +0.060 at "
        "pH 4.005, spread linearly in time; by tova: as found"
    )


def test_a_correction_is_in_force_until_it_is_revoked_and_may_come_back() -> None:
    first = found((4.0, 0.06))
    gone = replace(revocation([first], 1, at_us=START_US, by="brina", why="stale buffer"), id=8)
    assert (gone.revokes, gone.by, gone.deviations) == (7, "brina", first.deviations)
    again = replace(proposed(LINE, [AS_FOUND], [first, gone], at_us=START_US, by="tova", why="fresh"), id=9)
    assert in_force([first]) == {1: first}
    assert in_force([first, gone]) == {}
    assert in_force([first, gone, again]) == {1: again}


def test_what_cannot_be_decided_is_refused() -> None:
    first, more = found((4.0, 0.06)), {"at_us": START_US, "by": "tova", "why": "as found"}
    with pytest.raises(RefusedError, match="correction 7 of calibration 1 is in force: revoke it first"):
        proposed(LINE, [AS_FOUND], [first], **more)  # type: ignore[arg-type]  # as named above
    for useless in ([], [replace(AS_FOUND, at_us=START_US)], [replace(AS_FOUND, calibration=2)]):
        with pytest.raises(RefusedError, match="how calibration 1 was found in the end is not known"):
            proposed(LINE, useless, [], **more)  # type: ignore[arg-type]  # as above
    with pytest.raises(RefusedError, match="no correction of calibration 1 is in force"):
        revocation([], 1, **more)  # type: ignore[arg-type]  # as above
