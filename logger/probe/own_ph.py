"""Convert the pH of a probe that reports no potential to an equivalent potential, and back.

Law: its pH is carried as the potential that an ideal electrode (slope 1, offset 0) would have: k(T) * (7 - pH). So what
is stored as a calibration of this probe is a correction line in pH, and everything behind stays one path. The number is
exact to the bit of a float either way; `ProbeConfig.own_ph` marks it as not measured.

An instrument that compensates by the temperature it reports computes pH = 7 - (E - o)/(s k(T)), so what is carried is
(E - o)/s: a line in the true potential at every temperature. How far an instrument departs from that is not seen: 0.03
pH in u (`ErrorModel.own_ph`) and a test bit in each record (`OWN_PH`), which lowers no quality.
"""

from typing import Final

from logger.measure.nernst import ISOPOTENTIAL_PH, nernst_mv

_STANDARD_C: Final = 25.0
"""Where neither the probe nor the configuration says a temperature; then no pH is claimed behind either."""


def equivalent_mv(ph: float, *, temperature_c: float | None, assumed_c: float | None) -> float:
    """Return the potential (mV) that stands for a pH at the temperature by which it will be read back."""
    return nernst_mv(_used_c(temperature_c, assumed_c)) * (ISOPOTENTIAL_PH - ph)


def own_ph(potential_mv: float, *, temperature_c: float | None, assumed_c: float | None) -> float:
    """Return the pH that the probe reported, out of its equivalent potential."""
    return ISOPOTENTIAL_PH - potential_mv / nernst_mv(_used_c(temperature_c, assumed_c))


def _used_c(temperature_c: float | None, assumed_c: float | None) -> float:
    return next(each for each in (temperature_c, assumed_c, _STANDARD_C) if each is not None)
