"""Standard buffers: their pH against temperature, each table under the name of its standard.

Law: a value is interpolated within one table and never mixed from two (they differ by up to 0.011); outside a table's
temperatures there is no value but an error. Between the printed temperatures, 5 C apart, a cubic through the four
nearest prints is used; it passes through every print.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

from logger.errors import RefusedError

U_SECONDARY_PH = 0.02 / 3**0.5
"""Standard uncertainty of a buffer made up or bought as +/-0.02 pH, rectangular (GUM 4.3.7). Common practice."""
NEIGHBOURS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Buffer:
    """One buffer of one standard: pH at rising temperatures (C), and the standard uncertainty of any of them."""

    id: str
    name: str
    standard: str
    temperatures_c: tuple[float, ...]
    values_ph: tuple[float, ...]
    u_ph: float = U_SECONDARY_PH

    @property
    def nominal_ph(self) -> float:
        """Return the pH at 25 C, which is what bottles are named by."""
        return ph_at(self, 25.0)


def ph_at(buffer: Buffer, temperature_c: float) -> float:
    """Return the buffer's pH at a temperature in C. Raises RefusedError outside of its table."""
    known = buffer.temperatures_c
    if not known[0] <= temperature_c <= known[-1]:
        raise RefusedError(
            f"buffer {buffer.name} ({buffer.standard}) has no value at {temperature_c:g} C, only from {known[0]:g} to"
            f" {known[-1]:g} C: bring it to room temperature"
        )
    above = next(i for i, t in enumerate(known) if t >= temperature_c)
    first = min(max(0, above - NEIGHBOURS // 2), max(0, len(known) - NEIGHBOURS))
    near = slice(first, first + NEIGHBOURS)
    return _lagrange(known[near], buffer.values_ph[near], temperature_c)


def _lagrange(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Return the polynomial through all points at x (Lagrange's form)."""
    total = 0.0
    for i, y in enumerate(ys):
        term = y
        for j, other in enumerate(xs):
            if j != i:
                term *= (x - other) / (xs[i] - other)
        total += term
    return total


def custom(buffer_id: str, values: Mapping[float, float], *, u_ph: float, standard: str) -> Buffer:
    """Return a user's own buffer from pH by temperature (C). Raises RefusedError for what cannot be one."""
    temperatures = tuple(sorted(values))
    if not temperatures or not all(0.0 < values[t] < 14.0 and -5.0 <= t <= 95.0 for t in temperatures):  # noqa: PLR2004
        raise RefusedError(f"buffer {buffer_id}: give pH (0 to 14) at one or more temperatures (-5 to 95 C)")
    if any(abs(values[b] - values[a]) > 0.05 * (b - a) for a, b in pairwise(temperatures)):
        raise RefusedError(
            f"buffer {buffer_id}: its pH changes by over 0.05 per C, which no buffer does: check the table"
        )
    points = tuple(values[t] for t in temperatures)
    return Buffer(
        id=buffer_id, name=buffer_id, standard=standard, temperatures_c=temperatures, values_ph=points, u_ph=u_ph
    )


def _of(standard: str, prefix: str, columns: Mapping[str, tuple[int, Sequence[float]]]) -> dict[str, Buffer]:
    """Return the buffers of one standard, each from its first temperature (C) on in steps of 5 C."""
    return {
        f"{prefix}-{name}": Buffer(
            id=f"{prefix}-{name}",
            name=name,
            standard=standard,
            temperatures_c=tuple(float(first + 5 * i) for i in range(len(values))),
            values_ph=tuple(values),
        )
        for name, (first, values) in columns.items()
    }


# fmt: off
_NIST = _of("NIST (Bates, J. Res. NBS 66A (1962) 179)", "nist", {
    "tetraoxalate": (0, (1.666, 1.668, 1.670, 1.672, 1.675, 1.679, 1.683, 1.688, 1.694, 1.700, 1.707, 1.715, 1.723)),
    "tartrate": (25, (3.557, 3.552, 3.549, 3.547)),
    "phthalate": (0, (4.003, 3.999, 3.998, 3.999, 4.002, 4.008, 4.015, 4.024, 4.035, 4.047, 4.060, 4.075, 4.091)),
    "phosphate": (0, (6.984, 6.951, 6.923, 6.900, 6.881, 6.865, 6.853, 6.844, 6.838, 6.834, 6.833, 6.834, 6.836)),
    "phosphate-1-3.5": (0, (7.534, 7.500, 7.472, 7.448, 7.429, 7.413, 7.400, 7.389, 7.380, 7.373, 7.367)),
    "borax": (0, (9.464, 9.395, 9.332, 9.276, 9.225, 9.180, 9.139, 9.102, 9.068, 9.038, 9.011, 8.985, 8.962)),
    "carbonate": (0, (10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.926, 9.889)),
})
_GBT = _of("GB/T 27501", "gbt", {
    "tetraoxalate": (0, (1.668, 1.669, 1.671, 1.673, 1.676, 1.680, 1.684, 1.688, 1.694, 1.700, 1.706, 1.713, 1.721)),
    "tartrate": (25, (3.559, 3.551, 3.547, 3.547, 3.550, 3.555, 3.563, 3.573)),
    "phthalate": (0, (4.006, 3.999, 3.996, 3.996, 3.998, 4.003, 4.010, 4.019, 4.029, 4.042, 4.055, 4.070, 4.087)),
    "phosphate": (0, (6.981, 6.949, 6.921, 6.898, 6.879, 6.864, 6.852, 6.844, 6.838, 6.834, 6.833, 6.834, 6.837)),
    "borax": (0, (9.458, 9.391, 9.330, 9.276, 9.226, 9.182, 9.142, 9.105, 9.072, 9.042, 9.015, 8.990, 8.968)),
})
_TECHNICAL = _of("technical (common practice, no standard)", "technical", {
    "4.00": (0, (4.00, 4.00, 4.00, 4.00, 4.00, 4.00, 4.01, 4.02, 4.03, 4.04, 4.06)),
    "7.00": (0, (7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.99, 6.98, 6.98, 6.97)),
    "10.01": (0, (10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89, 9.86, 9.83)),
})
# fmt: on
BUFFERS: Mapping[str, Buffer] = MappingProxyType({**_NIST, **_GBT, **_TECHNICAL})
"""Every built-in buffer by its id. NIST values from memory, within 0.006 of GB/T 27501 but for tartrate above 40 C,
which is left out for that reason; the others as printed."""
