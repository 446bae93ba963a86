"""Compute the Nernst slope.

Law: only + - * / on the way from potential to pH, so that a row's result never depends on its block.

An assumed temperature is never a reading: the column stays empty, and it is put in where pH, quality and immersion
compute (`working_c`). A thermometer that fails is not assumed away.
"""

from typing import TypeVar

import numpy as np

from logger.model import Floats

R = 8.31446261815324
"""Molar gas constant, J/(mol K), exact (CODATA 2018)."""
F = 96485.33212331002
"""Faraday constant, C/mol, exact (CODATA 2018: e times N_A)."""
LN10 = 2.302585092994046
ZERO_C_K = 273.15
ABSOLUTE_ZERO_C = -ZERO_C_K
"""What a temperature in kelvin reads that is not connected: nothing is computed by it."""
NERNST_MV_PER_K = 1000.0 * R * LN10 / F
"""Nernst slope over the temperature in kelvin."""
ISOPOTENTIAL_PH = 7.0
"""pH at which a glass electrode's potential is the same at every temperature. Common practice, no source."""

FloatOrArray = TypeVar("FloatOrArray", float, Floats)


def working_c(temperature_c: Floats, assumed_c: float | None) -> Floats:
    """Return the temperatures (C) to compute by: as read, or of a probe without a thermometer the assumed one."""
    return temperature_c if assumed_c is None else np.where(np.isnan(temperature_c), assumed_c, temperature_c)


def nernst_mv(temperature_c: FloatOrArray) -> FloatOrArray:
    """Return the Nernst slope in mV per pH at a temperature in C (59.1593 at 25 C)."""
    return NERNST_MV_PER_K * (temperature_c + ZERO_C_K)
