"""The Nernst slope.

Law: only + - * / on the way from potential to pH, so that a row's result never depends on its block.
"""

from typing import TypeVar

from logger.model import Floats

R = 8.31446261815324
"""Molar gas constant, J/(mol K), exact (CODATA 2018)."""
F = 96485.33212331002
"""Faraday constant, C/mol, exact (CODATA 2018: e times N_A)."""
LN10 = 2.302585092994046
ZERO_C_K = 273.15
ISOPOTENTIAL_PH = 7.0
"""pH at which a glass electrode's potential is the same at every temperature. Common practice, no source."""

FloatOrArray = TypeVar("FloatOrArray", float, Floats)


def nernst_mv(temperature_c: FloatOrArray) -> FloatOrArray:
    """Return the Nernst slope in mV per pH at a temperature in C (59.1593 at 25 C)."""
    return (1000.0 * R * LN10 / F) * (temperature_c + ZERO_C_K)
