"""Judge by its newest window whether the instrument is within its specification (NAMUR NE 107).

Law: pure; from what is carried, so status and hub say the same. By the medians of a window, not by one reading, so a
finding does not flicker; no sentence holds a figure that runs. Limits: common practice, no source.

A vat may be 15 C from its buffers (a cellar, and a bench at 25 C) before that is a finding.
"""

from collections.abc import Iterator

import numpy as np

from logger.config import ProbeConfig
from logger.measure import estimate, trust_windows
from logger.measure.age import elapsed_at
from logger.measure.calibration import ph_of
from logger.measure.thermometer import other_unit
from logger.measure.uncertainty import standard_uncertainty
from logger.model import Calibration, Carry, Finding, Health, QualityTests, ThermometerState
from logger.model.thermometer import UNCONNECTED_C

U_LIMIT_PH = 0.10
"""Doubtful beyond this much (k = 1), a reading can hardly judge a ferment. Common practice, no source."""
BEYOND_PH = 1.0
"""So far beyond the buffers a reading is extrapolated in good faith. Common practice, no source."""
BEYOND_C = 15.0
"""So far from the buffers' temperatures slope and zero are extrapolated in good faith. Common practice, no source."""
NOISE_MV = 2.0
"""Noise from reading to reading beyond this is worth a look at plug and cable. Common practice, no source."""
DEFAULTS_C = (20.0, 25.0)
"""What instruments compensate with that have no thermometer. Common practice, no source."""
STILL_US = 12 * 3_600_000_000
"""No thermometer in a vat shows one value, to the last digit, for so long. Common practice, no source."""


def findings(probe: ProbeConfig, carry: Carry, *, at_us: int) -> Iterator[Finding]:
    """Yield what the newest readings show."""
    yield from _of_the_belief(carry)
    if not carry.trust.windows:
        return
    window, window_us = carry.trust.windows[-1], trust_windows.window_us(probe.poll_s)
    if window.noise_mv > NOISE_MV and carry.trust.loss is None:
        noisy = f"The potential is restless (over {NOISE_MV:g} mV from reading to reading)"
        yield _out(f"{noisy}: look at plug and cable, and for a pump or heater that leaks current into the brine.")
    if carry.trust.still * window_us >= STILL_US and window.temperature_c in DEFAULTS_C:
        still = f"The temperature has stood at {window.temperature_c:g} C to the last digit for half a day"
        yield _out(f"{still}: look whether a thermometer is plugged in, or the instrument takes a fixed value for it.")
    if carry.electrode.calibration is not None:
        yield from _of_the_calibration(
            probe, carry, carry.electrode.calibration, (window.potential_mv, window.temperature_c), at_us=at_us
        )


def is_doubtful(
    probe: ProbeConfig, carry: Carry, calibration: Calibration, *, ph: float, warm_c: float, at_us: int
) -> bool:
    """Tell whether u (k = 1) of a reading like this has left its limit."""
    known = carry.electrode.estimate or estimate.start(calibration, probe.errors)
    u = standard_uncertainty(
        calibration,
        probe.errors,
        known,
        days=np.array([estimate.days_until(known, at_us=at_us, elapsed_us=elapsed_at(carry, at_us))]),
        ph=np.array([ph]),
        temperature_c=np.array([warm_c]),
    )
    return bool(u.item() > U_LIMIT_PH)


def _of_the_belief(carry: Carry) -> Iterator[Finding]:
    newest = carry.electrode.belief
    lead = newest.test if newest else QualityTests.NONE
    if carry.electrode.thermometer.is_faulty:
        yield _of_the_thermometer(carry.electrode.thermometer, is_believed=lead is not QualityTests.TEMPERATURE)
    elif lead is QualityTests.TEMPERATURE:
        text = "The thermometer is out of its range or gives nothing, so no pH is claimed: look at its plug."
        yield Finding(status=Health.FAILURE, text=text)
    if lead is QualityTests.GROSS_RANGE:
        yield _out("The potential is outside what an electrode in a vat gives: look at plug, cable and bulb.")
    elif lead is QualityTests.FLAT_LINE:
        yield _out("The potential has not moved at all for too long: lift the probe, rinse it, see whether it moves.")


def _of_the_thermometer(state: ThermometerState, *, is_believed: bool) -> Finding:
    what = "The thermometer shows what no vat's temperature can be, or jumps to and fro"
    if state.odd_c in UNCONNECTED_C:
        what = f"The thermometer reads {state.odd_c:.1f} C, a value that it shows when it is not connected"
    elif state.odd_c is not None and state.good_c is not None and (unit := other_unit(state.good_c, state.odd_c)):
        what = f"The thermometer seems to be read in another unit ({unit})"
    result = "pH is computed by its last good temperature" if is_believed else "no pH is claimed"
    status = Health.OUT_OF_SPECIFICATION if is_believed else Health.FAILURE
    return Finding(status=status, text=f"{what}: look at its plug and its unit. Until then {result}.")


def _of_the_calibration(
    probe: ProbeConfig, carry: Carry, calibration: Calibration, middle: tuple[float, float], *, at_us: int
) -> Iterator[Finding]:
    mv, warm_c = middle
    ph = float(ph_of(calibration, np.array([mv]), np.array([warm_c])).item())
    if not calibration.low_ph - BEYOND_PH <= ph <= calibration.high_ph + BEYOND_PH:
        far = f"The vat's pH lies more than {BEYOND_PH:g} beyond the buffers of the calibration"
        yield _out(f"{far}: calibrate with a buffer nearer to it.")
    buffers_c = [point.temperature_c for point in calibration.points]
    if buffers_c and not min(buffers_c) - BEYOND_C <= warm_c <= max(buffers_c) + BEYOND_C:
        far = f"The vat is more than {BEYOND_C:g} C from the temperature of the buffers"
        yield _out(f"{far}: calibrate with buffers nearly as warm as the vat.")
    if is_doubtful(probe, carry, calibration, ph=ph, warm_c=warm_c, at_us=at_us):
        yield _out(
            f"The uncertainty of a reading is beyond u = {U_LIMIT_PH:.2f}: dip the probe in a buffer, or calibrate it."
        )


def _out(text: str) -> Finding:
    return Finding(status=Health.OUT_OF_SPECIFICATION, text=text)
