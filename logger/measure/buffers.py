"""Hold the standard buffers: their pH against temperature, each table under the name of its standard.

Law: a value is interpolated within one table and never mixed from two (they differ by up to 0.011); outside a table's
temperatures there is no value but an error. Between the printed temperatures, 5 C apart, a cubic through the four
nearest prints is used; it passes through every print. A user's own table is joined by straight lines: its temperatures
may lie anywhere, and no curve may overshoot them.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from itertools import pairwise
from types import MappingProxyType

from logger.config import BufferConfig
from logger.errors import RefusedError
from logger.structs import Struct, replace

U_SECONDARY_PH = 0.02 / 3**0.5
"""Standard uncertainty of a buffer made up or bought as +/-0.02 pH, rectangular (GUM 4.3.7). Common practice."""
CUBIC, LINEAR = 4, 2
"""How many neighbours a value is interpolated through."""
STEEPEST_PH_PER_C = 0.05
TAKEN_FOR_ANOTHER_PH = (0.10, 0.17)
"""How far the technical 7.00 lies above the equimolal phosphate at any temperature of use (0.135 at 25 C)."""


class Buffer(Struct, frozen=True, kw_only=True):
    """One buffer of one standard: pH at rising temperatures (C), and the standard uncertainty of any of them."""

    id: str
    name: str
    standard: str
    temperatures_c: tuple[float, ...]
    values_ph: tuple[float, ...]
    u_ph: float = U_SECONDARY_PH
    neighbours: int = CUBIC
    lot: str = ""
    expires: date | None = None
    """Last day of use; None: not known."""

    @property
    def nominal_ph(self) -> float:
        """Return the pH at 25 C, or as near to it as the table goes: bottles are named by it."""
        return ph_at(self, min(max(25.0, self.temperatures_c[0]), self.temperatures_c[-1]))


def ph_at(buffer: Buffer, temperature_c: float) -> float:
    """Return the buffer's pH at a temperature in C. Raises RefusedError outside of its table."""
    temperatures_c = buffer.temperatures_c
    if not temperatures_c[0] <= temperature_c <= temperatures_c[-1]:
        raise RefusedError(
            f"buffer {buffer.name} ({buffer.standard}) has no value at {temperature_c:g} C, only from"
            f" {temperatures_c[0]:g} to {temperatures_c[-1]:g} C: bring it to room temperature, or check the"
            " thermometer"
        )
    above = next(i for i, t in enumerate(temperatures_c) if t >= temperature_c)
    first = min(max(0, above - buffer.neighbours // 2), max(0, len(temperatures_c) - buffer.neighbours))
    near = slice(first, first + buffer.neighbours)
    return _lagrange(temperatures_c[near], buffer.values_ph[near], temperature_c)


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


def shelf(configured: Iterable[BufferConfig] = ()) -> Mapping[str, Buffer]:
    """Return every buffer by its id: the built-in ones, with what the user says of them, and the user's own."""
    own = {}
    for entry in configured:
        table = custom(entry) if entry.values_ph else by_id(entry.id, BUFFERS)
        u_ph = table.u_ph if entry.u_ph is None else entry.u_ph
        own[entry.id] = replace(table, u_ph=u_ph, lot=entry.lot, expires=entry.expires)
    return {**BUFFERS, **own}


def by_id(buffer_id: str, among: Mapping[str, Buffer]) -> Buffer:
    """Return a buffer by its id. Raises RefusedError naming the nearest id, or all there are."""
    if buffer_id not in among:
        from difflib import get_close_matches  # noqa: PLC0415 - 1 ms and 0.15 MB of a start, for a word that is not known

        near = get_close_matches(buffer_id.lower(), among, n=1)
        meant = f"did you mean {near[0]!r}?" if near else f"there are: {', '.join(among)}"
        raise RefusedError(f"there is no buffer {buffer_id!r}; {meant}")
    return among[buffer_id]


def nearest(ph: float, temperature_c: float, *, among: Iterable[Buffer]) -> Buffer | None:
    """Return the buffer whose pH at this temperature (C) is nearest; None: none has a value there."""
    in_table = [b for b in among if b.temperatures_c[0] <= temperature_c <= b.temperatures_c[-1]]
    return min(in_table, key=lambda b: abs(ph_at(b, temperature_c) - ph), default=None)


def expired(buffer: Buffer, *, on: date) -> str | None:
    """Say that a buffer is past its last day of use; None: it is not."""
    if buffer.expires is None or on <= buffer.expires:
        return None
    lot = f", lot {buffer.lot}," if buffer.lot else ""
    return (
        f"Buffer {buffer.name}{lot} expired on {buffer.expires}: its pH is no longer known. Open a fresh one and"
        " calibrate again"
    )


def confused_buffer(deviation_ph: float, *, buffer_ph: float) -> str | None:
    """Say which of the two buffers near pH 7 stands in the place of the other; None: neither does.

    `deviation_ph`: what an electrode known to be right reads in it, minus `buffer_ph` (the pH it is said to have).
    """
    low, high = TAKEN_FOR_ANOTHER_PH
    phosphate, technical = 6.75 < buffer_ph < 6.99, 6.96 < buffer_ph < 7.13  # noqa: PLR2004 - from 0 to 50 C
    if phosphate and low < deviation_ph < high:
        return (
            f"The buffer taken for pH {buffer_ph:.2f} reads {deviation_ph:.2f} higher: perhaps it is the technical"
            " 7.00, which is 0.135 above the 6.86 (25 C). Read the label; name the buffer that it is"
        )
    if technical and low < -deviation_ph < high:
        return (
            f"The buffer taken for pH {buffer_ph:.2f} reads {-deviation_ph:.2f} lower: perhaps it is the 6.86, which is"
            " 0.135 below the technical 7.00 (25 C). Read the label; name the buffer that it is"
        )
    return None


def custom(entry: BufferConfig) -> Buffer:
    """Return a user's own buffer. Raises RefusedError for what cannot be one."""
    temperatures = tuple(sorted(entry.values_ph))
    points = tuple(entry.values_ph[t] for t in temperatures)
    if len(temperatures) < LINEAR:
        raise RefusedError(
            "one value makes no table: give the pH at two or more temperatures that the bath lies between"
        )
    if not all(0.0 < ph < 14.0 and -5.0 <= t <= 95.0 for t, ph in entry.values_ph.items()):  # noqa: PLR2004
        raise RefusedError("this is no buffer's table: give pH (0 to 14) at temperatures from -5 to 95 C")
    steps = zip(pairwise(temperatures), pairwise(points), strict=True)
    if any(abs(b - a) > STEEPEST_PH_PER_C * (warm - cool) for (cool, warm), (a, b) in steps):
        raise RefusedError(f"its pH changes by over {STEEPEST_PH_PER_C} per C, which no buffer does: check the values")
    return Buffer(
        id=entry.id,
        name=entry.id,
        standard=entry.standard or "the user's own",
        temperatures_c=temperatures,
        values_ph=points,
        neighbours=LINEAR,
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
