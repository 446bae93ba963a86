"""Points, the lines through them, and what these read."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from logger.measure.calibration import fit, ph_of
from logger.measure.uncertainty import fit_uncertainty
from logger.model import Calibration, CalibrationPoint, Method


def point(ph: float, mv: float, temperature_c: float = 25.0, **more: Any) -> CalibrationPoint:  # noqa: ANN401 - fields of it
    return CalibrationPoint(buffer_ph=ph, potential_mv=mv, temperature_c=temperature_c, **more)


def made(*points: CalibrationPoint, method: Method = Method.BRACKETING) -> Calibration:
    return fit(points, probe="probe", at_us=0, by="tester", method=method)


def one_ph(line: Calibration, mv: float, temperature_c: float = 25.0) -> float:
    return float(ph_of(line, np.array([mv]), np.array([temperature_c])).item())


def u_cal(line: Calibration, ph: Sequence[float], temperature_c: float = 25.0) -> list[float]:
    return list(fit_uncertainty(line, ph=np.array(ph), temperature_c=np.full(len(ph), temperature_c)))


def electrode_mv(ph: float, temperature_c: float, *, offset_mv: float, slope: float) -> float:
    """E = E_iso - s k(T) (pH - 7); the Nernst equation, with k from its table value at 25 C."""
    return offset_mv - slope * 59.15934 * (temperature_c + 273.15) / 298.15 * (ph - 7.0)
