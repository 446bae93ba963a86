"""Compare the probe with another instrument in the same brine (a spot measurement).

Law: pure, and one way for whoever says it, at a terminal or from the hub. The probe's side is the median of the last
ten minutes of believed readings with the calibration in force; where these are missing there is no check.
"""

import numpy as np
from numpy.typing import NDArray

from logger.config import ProbeConfig
from logger.errors import RefusedError
from logger.measure.uncertainty import of_median
from logger.measure.windows import LOST
from logger.model import Calibration, Carry, Check, CheckKind, Measurements, Quality, WatchState
from logger.model.figures import SPOT_PH, SPOT_U_PH
from logger.structs import Struct
from logger.units import SECOND_US

PRESENT_S = 600.0
"""A spot measurement is compared with the median of so long. Common practice, no source."""
FEWEST = 3


class Spot(Struct, frozen=True, kw_only=True):
    """An independent measurement of the vat, with its standard uncertainty."""

    ph: float
    u_ph: float
    instrument: str


class Present(Struct, frozen=True, kw_only=True):
    """What the probe reads in the vat: the median of the last minutes, with its standard uncertainty."""

    ph: float
    u_ph: float
    temperature_c: float
    at_us: int


def check_now(spot: Spot, state: WatchState, probe: ProbeConfig, *, vat: str, by: str, at_us: int) -> Check:
    """Return the check (id 0) that a spot measurement makes with what a watch reads now (UTC). Raises RefusedError."""
    line = state.carry.electrode.calibration
    if line is None:
        raise RefusedError(f"no calibration of {probe.id} is in force: there is nothing to check; calibrate it")
    elsewhere = why_away(state.carry)
    reading = present(
        state.recent, probe, line, fresh_us=state.carry.windows.fresh_us, elsewhere=elsewhere, at_us=at_us
    )
    return spot_check(spot, reading, probe, line, vat=vat, tolerance_ph=probe.judge_tolerance_ph, by=by)


def why_away(carry: Carry) -> str:
    """Say why the probe does not read the vat now, as far as persons have said; empty: nobody took it out."""
    if carry.suppression.out_until_us is not None:
        return "the probe is marked out: put it back, mark it `probe-in`, and measure again some minutes later"
    if carry.suppression.attended_until_us is not None:
        return "somebody works on the probe: wait until it has stood in the vat again for some minutes"
    if carry.suppression.not_back_us is not None:
        return "nobody said that the probe is back in the vat: look, mark it `probe-in`, and measure some minutes later"
    return ""


def present(
    rows: Measurements | None, probe: ProbeConfig, in_force: Calibration, *, fresh_us: int, elsewhere: str, at_us: int
) -> Present:
    """Return what the probe reads in the vat now (UTC). Raises RefusedError when that is not known well enough.

    `rows`: its newest records (None: there are none); `fresh_us`: the watch time since when it has stood there;
    `elsewhere`: why it does not, as `why_away` says.
    """
    if elsewhere:
        raise RefusedError(elsewhere)
    if rows is not None:
        since = at_us - round(PRESENT_S * SECOND_US)
        lost = (rows.tests & LOST) != 0  # the comparison is how trust is earned back
        usable = (rows.quality == Quality.PASS) | (lost & (rows.quality == Quality.SUSPECT))
        good = usable & (rows.calibration == in_force.id) & (rows.at_us >= since)
        good &= ~np.isnan(rows.ph) & (rows.elapsed_us >= fresh_us)
        if int(good.sum()) >= FEWEST:
            return _median(rows, probe, in_force, good=good)
    raise RefusedError(
        f"in the last {PRESENT_S / 60:.0f} minutes the probe has not made {FEWEST} readings in the vat that are"
        f" believed, with calibration {in_force.id}: look at `vatvigil status`, or wait"
    )


def _median(rows: Measurements, probe: ProbeConfig, in_force: Calibration, *, good: NDArray[np.bool_]) -> Present:
    u = of_median(
        np.array([np.median(rows.u[good])]),
        np.array([good.sum()]),
        slope=in_force.slope,
        errors=probe.errors,
        poll_s=probe.poll_s,
    )
    return Present(
        ph=float(np.median(rows.ph[good])),
        u_ph=float(u[0]),
        temperature_c=float(np.median(rows.temperature_c[good])),
        at_us=int(rows.at_us[-1]),
    )


def spot_check(
    spot: Spot,
    reading: Present,
    probe: ProbeConfig,
    in_force: Calibration,
    *,
    vat: str,
    tolerance_ph: float,
    by: str,
) -> Check:
    """Return the check (id 0) that an independent measurement of the vat makes. Raises RefusedError for none."""
    SPOT_PH.check(spot.ph)
    SPOT_U_PH.check(spot.u_ph)
    deviation_ph = reading.ph - spot.ph
    return Check(
        id=0,
        probe=probe.id,
        vat=vat,
        at_us=reading.at_us,
        kind=CheckKind.SPOT,
        reference_ph=spot.ph,
        u_reference_ph=spot.u_ph,
        reading_ph=reading.ph,
        deviation_ph=deviation_ph,
        tolerance_ph=tolerance_ph,
        passed=abs(deviation_ph) <= tolerance_ph,
        calibration=in_force.id,
        temperature_c=reading.temperature_c,
        instrument=spot.instrument,
        electrode=probe.electrode,
        by=by,
    )
