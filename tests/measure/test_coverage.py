"""Does the stated interval hold the truth as often as it says? By simulation (JCGM 101, from memory).

Electrodes, calibrations and readings are drawn from what the error model states; each goes through the fit, the
reading and its u as in the daemon. Nothing here knows how u is made up.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
from scipy import constants

from logger.config import ErrorModel
from logger.measure import buffers, estimate
from logger.measure.calibration import fit, ph_of
from logger.measure.uncertainty import standard_uncertainty
from logger.model import Calibration, CalibrationPoint, Check, CheckKind, Estimate, Floats, Method
from logger.units import DAY_US
from tests.series import EPOCH_US

N = 6_000
ERRORS = ErrorModel()
BENCH = ErrorModel(
    junction_ph=0.0, drift_ph_per_day=0.0, walk_ph_per_sqrt_day=0.0, temperature_c=0.1, repeatability_mv=0.1
)
"""Hardly anything but the calibration's own doubt, which brine would hide."""
K_PER_KELVIN = constants.R * np.log(10) / constants.value("Faraday constant") * 1000
SETS = {"three": ("phthalate", "phosphate", "borax"), "two": ("phthalate", "phosphate")}


def true_mv(ph: Floats, celsius: Floats, offset: Floats, slope: Floats) -> Floats:
    """E = E_iso - s k(T) (pH - 7); the Nernst equation."""
    return np.asarray(offset - slope * K_PER_KELVIN * (celsius + 273.15) * (ph - 7.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Electrodes:
    """What is true of each electrode and of the vat it stands in."""

    slope: Floats
    offset: Floats
    bath_c: Floats
    vat_c: Floats
    ph: Floats
    days: Floats


def electrodes(rng: np.random.Generator) -> Electrodes:
    return Electrodes(
        slope=rng.uniform(0.85, 1.05, N),
        offset=rng.uniform(-30.0, 30.0, N),
        bath_c=rng.uniform(5.0, 40.0, N),
        vat_c=rng.uniform(5.0, 40.0, N),
        ph=rng.uniform(3.0, 9.0, N),
        days=rng.uniform(0.0, 7.0, N),
    )


def calibrations(
    of: Electrodes, rng: np.random.Generator, *, names: tuple[str, ...], method: Method
) -> list[Calibration]:
    """What a person makes of buffers within +/-0.02 of their table, and potentials within 0.4 mV."""
    stated = np.array(
        [[buffers.ph_at(buffers.BUFFERS[f"nist-{name}"], t) for name in names] for t in of.bath_c.tolist()]
    )
    truth = stated + rng.uniform(-0.02, 0.02, stated.shape)
    columns = (of.bath_c[:, None], of.offset[:, None], of.slope[:, None])
    seen = true_mv(truth, *columns) + rng.normal(0.0, 0.4, stated.shape)
    made = []
    for values, potentials, t in zip(stated.tolist(), seen.tolist(), of.bath_c.tolist(), strict=True):
        points = [
            CalibrationPoint(buffer_ph=b, potential_mv=e, temperature_c=t)
            for b, e in zip(values, potentials, strict=True)
        ]
        made.append(fit(points, probe="probe", at_us=EPOCH_US, by="", method=method))
    return made


def potentials(
    of: Electrodes, rng: np.random.Generator, drifted: Floats, errors: ErrorModel = ERRORS, *, days: Floats
) -> tuple[Floats, Floats]:
    """What instrument and thermometer show in the vat: junction, drift, noise, resolution, wrong by a degree."""
    wander = np.sqrt(days)
    wrong = rng.normal(0.0, errors.junction_ph, N) + rng.normal(0.0, 0.2 * errors.junction_ph, N) * wander
    wrong += rng.normal(0.0, 0.6 * errors.junction_ph, N) * (of.ph - 4.6)
    drifted = drifted + rng.normal(0.0, errors.walk_ph_per_sqrt_day / 3.0, N) * wander * (of.ph - 4.6)
    mv = true_mv(of.ph + wrong, of.vat_c, of.offset, of.slope) + rng.normal(0.0, errors.repeatability_mv, N)
    mv -= of.slope * K_PER_KELVIN * 298.15 * drifted  # a potential, stated in pH at 25 C
    shown = np.round(mv / errors.resolution_mv) * errors.resolution_mv
    return shown, of.vat_c + rng.normal(0.0, errors.temperature_c, N)


def covered(found: list[float], u: list[float], truth: Floats) -> npt.NDArray[np.bool_]:
    return np.abs(np.array(found) - truth) <= 1.96 * np.array(u)


def u_of(
    line: Calibration, known: Estimate, *, days: Floats, ph: Floats, celsius: Floats, errors: ErrorModel = ERRORS
) -> float:
    return float(standard_uncertainty(line, errors, known, days=days, ph=ph, temperature_c=celsius)[0])


CASES = [
    ("three", Method.BRACKETING, ERRORS),
    pytest.param("three", Method.LINE, ERRORS, marks=pytest.mark.slow),
    ("two", Method.BRACKETING, ERRORS),
    pytest.param("three", Method.BRACKETING, BENCH, marks=pytest.mark.slow),
    pytest.param("three", Method.LINE, BENCH, marks=pytest.mark.slow),
]


@pytest.mark.parametrize(("names", "method", "errors"), CASES)
def test_the_interval_of_95_percent_holds_the_true_ph_in_95_percent(
    names: str, method: Method, errors: ErrorModel
) -> None:
    rng = np.random.default_rng(20)
    of = electrodes(rng)
    lines = calibrations(of, rng, names=SETS[names], method=method)
    drifted = rng.normal(0.0, errors.drift_ph_per_day, N) * of.days
    drifted += rng.normal(0.0, errors.walk_ph_per_sqrt_day, N) * np.sqrt(of.days)
    mv, celsius = potentials(of, rng, drifted, errors, days=of.days)
    found, u = [], []
    for row, line in enumerate(lines):
        here = slice(row, row + 1)
        ph = ph_of(line, mv[here], celsius[here])
        found.append(float(ph[0]))
        known = estimate.start(line, errors)
        u.append(u_of(line, known, errors=errors, days=of.days[here], ph=ph, celsius=celsius[here]))
    inside = covered(found, u, of.ph)
    where = "the bench alone" if errors is BENCH else "in brine"
    print(f"coverage, {names} buffers, {method}, {where}: {inside.mean():.2%}")
    assert 0.93 <= inside.mean() <= 0.97
    for corner in (
        of.slope < 0.88,
        of.slope > 1.02,
        of.bath_c < 10,
        of.vat_c > 35,
        of.ph < 3.5,
        of.ph > 8.5,
        of.days < 1,
    ):
        assert 0.92 <= inside[corner].mean() <= 0.98


@pytest.mark.slow
def test_the_interval_also_holds_after_checks_told_the_drift() -> None:
    # A check buffer on days 2 and 4, a reading up to three days after it.
    rng = np.random.default_rng(21)
    of = electrodes(rng)
    lines = calibrations(of, rng, names=SETS["two"], method=Method.BRACKETING)
    rate, drifted = rng.normal(0.0, ERRORS.drift_ph_per_day, N), np.zeros(N)
    states = [estimate.start(line, ERRORS) for line in lines]
    for _ in range(2):
        drifted = drifted + 2.0 * rate + rng.normal(0.0, ERRORS.walk_ph_per_sqrt_day * 2**0.5, N)
        buffer = np.array([buffers.ph_at(buffers.BUFFERS["nist-phthalate"], t) for t in of.bath_c.tolist()])
        bottle = buffer + rng.uniform(-0.02, 0.02, N)
        mv = true_mv(bottle + rng.normal(0.0, 0.01, N), of.bath_c, of.offset, of.slope)
        mv -= of.slope * K_PER_KELVIN * 298.15 * drifted
        states = [
            checked(line, state, mv[row : row + 1], of.bath_c[row : row + 1], float(buffer[row]))
            for row, (line, state) in enumerate(zip(lines, states, strict=True))
        ]
    after = rng.uniform(0.0, 3.0, N)
    drifted = drifted + after * rate + rng.normal(0.0, ERRORS.walk_ph_per_sqrt_day, N) * np.sqrt(after)
    mv, celsius = potentials(of, rng, drifted, days=4.0 + after)
    found, u = [], []
    for row, (line, state) in enumerate(zip(lines, states, strict=True)):
        here = slice(row, row + 1)
        ph = ph_of(line, mv[here], celsius[here])
        found.append(float(ph[0]))
        u.append(u_of(line, state, days=after[here], ph=ph, celsius=celsius[here]))
    inside = covered(found, u, of.ph)
    print(f"coverage after two checks: {inside.mean():.2%}")
    assert 0.93 <= inside.mean() <= 0.98  # the known offset counts as doubt, so never less than stated


def checked(line: Calibration, state: Estimate, mv: Floats, celsius: Floats, buffer_ph: float) -> Estimate:
    ph = ph_of(line, mv, celsius)
    reading = float(ph[0])
    check = Check(
        id=0,
        probe="probe",
        at_us=state.at_us + 2 * DAY_US,
        kind=CheckKind.BUFFER,
        reference_ph=buffer_ph,
        u_reference_ph=0.02 / 3**0.5,
        reading_ph=reading,
        deviation_ph=reading - buffer_ph,
        tolerance_ph=0.05,
        passed=True,
        calibration=0,
        temperature_c=float(celsius[0]),
    )
    return estimate.apply_check(state, check).estimate
