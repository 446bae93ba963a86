"""Compute a fermentation: two kinds of bacteria make lactic acid, the mash buffers it, the room warms or cools it.

Law: no curve is drawn. Growth and maintenance make acid; pH follows from electroneutrality. Nothing here is random and
nothing reads a clock: the same vat and room give the same course to the bit. Ranges of the constants: from a trial on
simulated vats, and usual magnitudes of food microbiology (common practice, no source).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulator.interventions import Intervention, brought_c, on_grid, replaced_parts, shifts_ph
from simulator.noise import Noise, Stream

Floats = NDArray[np.float64]

PKA_LACTIC = 3.86
PKA_MATRIX = (4.3, 5.3, 6.6)
"""Carboxyl groups of the mash, the second citrate and malate group, phosphate: lumped."""
PK_WATER = 14.0
STEP_S = 60.0
"""Fixed step of the integration, so that a course does not depend on how it is asked for."""
SALT_LIMIT_PERCENT = 11.8
"""No growth in more sodium chloride than this (L. plantarum in cucumber juice)."""
SALT_REFERENCE_PERCENT = 2.5
PH_UNHINDERED = 6.0
HALF_SUGAR_MM = 3.0
ACID_PER_CELL_MM = 4.5e-8
"""Lactic acid (mmol/L) made while one cell a millilitre is added."""
UPKEEP_PER_CELL_MM_H = 1.2e-9
"""Lactic acid (mmol/L an hour) of one living cell a millilitre at 20 C that does not grow."""
FILM_GROWTH_PER_H = 0.07


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterFailure:
    """The room's heater is off from `start_h` to `end_h` (run hours): its baseline falls by `drop_c`."""

    start_h: float
    end_h: float
    drop_c: float
    tau_h: float = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Air around the vat: a daily wave and failures of the heater. Temperatures in C."""

    mean_c: float = 20.0
    swing_c: float = 1.0
    """Peak to peak."""
    warmest_h: float = 15.0
    """Hour of the day."""
    failures: tuple[HeaterFailure, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """One kind of lactic acid bacteria. `mu20_per_h`: growth rate at 20 C, unhindered."""

    log10_cfu_ml: float
    mu20_per_h: float
    t_min_c: float
    ph_min: float
    work_h0: float = 1.5
    """Work to be done before growth (Baranyi): the lag is h0 divided by the growth rate."""

    def temperature_factor(self, temperature_c: float) -> float:
        """Return the rate relative to 20 C (square-root law of Ratkowsky; none below `t_min_c`)."""
        return (max(temperature_c - self.t_min_c, 0.0) / (20.0 - self.t_min_c)) ** 2

    def ph_factor(self, ph: float) -> float:
        """Return the rate relative to that at pH 6 and above: falls in a straight line to 0 at `ph_min`."""
        return min(max((ph - self.ph_min) / (PH_UNHINDERED - self.ph_min), 0.0), 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Vat:
    """Contents at filling, `age_h` hours before the run begins."""

    early: Population
    late: Population
    age_h: float = 0.0
    ph_start: float = 5.9
    buffers_mm: tuple[float, float, float] = (18.0, 12.0, 8.0)
    sugar_mm: float = 160.0
    """Lactic acid that the sugar can become."""
    salt_percent: float = 2.6
    lag_h: float = 9.0
    """Thermal time constant of the vat behind the room."""
    start_c: float | None = None
    """Temperature at filling; None: that of the room."""
    film_cover: float = 0.0
    """Part of the surface that film yeasts cover at filling; they eat lactic acid."""
    film_mm_h: float = 0.0
    """How much they eat when they cover it whole."""


@dataclass(frozen=True, slots=True)
class Course:
    """A vat's and its room's course on a regular grid; `hours` are run hours (negative: before the run)."""

    hours: Floats
    ph: Floats
    temperature_c: Floats
    room_c: Floats
    acid_mm: Floats


def pulse_response(hours: ArrayLike, start_h: float, end_h: float, *, tau_h: float) -> Floats:
    """Return the first-order response (0 to 1) to a unit that stands from `start_h` to `end_h`."""
    t = np.asarray(hours, dtype=np.float64)
    rise = -np.expm1(-np.maximum(np.minimum(t, end_h) - start_h, 0.0) / tau_h)
    return np.asarray(rise * np.exp(-np.maximum(t - end_h, 0.0) / tau_h))


def first_order_lag(values: Floats, step: float, *, tau: float, start: float | None = None) -> Floats:
    """Return the first-order response to a series; exact for what runs straight between points. One unit of time."""
    keep = math.exp(-step / tau)
    mean = (1.0 - keep) * tau / step  # weight of the older point in an exact step along a straight line
    state = float(values[0]) if start is None else start
    out = [state]
    for old, new in zip(values[:-1].tolist(), values[1:].tolist(), strict=True):
        state = keep * state + (mean - keep) * old + (1.0 - mean) * new
        out.append(state)
    return np.array(out)


def room_temperature(room: Room, hours: ArrayLike, *, start_hour: float) -> Floats:
    """Return the air's temperature in C at run hours, for a run that begins at `start_hour` of the day."""
    t = np.asarray(hours, dtype=np.float64)
    wave = np.cos(2.0 * np.pi * (t + start_hour - room.warmest_h) / 24.0)
    air = room.mean_c + 0.5 * room.swing_c * wave
    for failure in room.failures:
        air = air - failure.drop_c * pulse_response(t, failure.start_h, failure.end_h, tau_h=failure.tau_h)
    return np.asarray(air)


def dissociated(ph: ArrayLike, pka: float) -> Floats:
    """Return the part of an acid that has given its proton away."""
    return np.asarray(1.0 / (1.0 + 10.0 ** (pka - np.asarray(ph, dtype=np.float64))))


def charge_without_lactate(vat: Vat, ph: ArrayLike) -> Floats:
    """Return the negative charge less protons, mmol/L, of matrix and water at this pH."""
    h = np.asarray(ph, dtype=np.float64)
    water = 1e3 * (10.0 ** (h - PK_WATER) - 10.0**-h)
    return np.asarray(water + sum(c * dissociated(h, pka) for c, pka in zip(vat.buffers_mm, PKA_MATRIX, strict=True)))


def acid_for(vat: Vat, ph: ArrayLike) -> Floats:
    """Return the lactic acid, mmol/L, that brings the mash to this pH: electroneutrality solved for the acid."""
    cations = charge_without_lactate(vat, vat.ph_start)  # strong cations stay as they were at filling
    return np.asarray((cations - charge_without_lactate(vat, ph)) / dissociated(ph, PKA_LACTIC))


class Titration:
    """pH of the mash against lactic acid, inverted by a table that is regular in the acid."""

    def __init__(self, vat: Vat, *, steps: int = 4000) -> None:
        """Titrate to three times the acid that the sugar can give: acid may be spilt into the vat."""
        ph = np.arange(1.5, vat.ph_start + 2e-4, 2e-4)
        self._step = vat.sugar_mm / steps
        acid = acid_for(vat, ph)
        self._ph = np.interp(np.arange(3 * steps) * self._step, acid[::-1], ph[::-1]).tolist()

    def ph(self, acid_mm: float) -> float:
        """Return pH at this much lactic acid, mmol/L."""
        place = min(max(acid_mm / self._step, 0.0), len(self._ph) - 1.001)
        k = int(place)
        return float(self._ph[k] + (place - k) * (self._ph[k + 1] - self._ph[k]))


@dataclass(slots=True)
class _Growth:
    """State of one population while it is integrated: logarithms of its count and of its readiness."""

    kind: Population
    log_count: float = field(init=False)
    log_ready: float = field(init=False)

    def __post_init__(self) -> None:
        self.log_count = self.kind.log10_cfu_ml * math.log(10.0)
        self.log_ready = -math.log(math.expm1(self.kind.work_h0))

    def acid(self, ph: float, temperature_c: float, *, food: float, hours: float) -> float:
        """Grow for a step and return the acid made in it, mmol/L."""
        at_temperature = self.kind.temperature_factor(temperature_c)
        unhindered = self.kind.mu20_per_h * at_temperature * food
        ready = 1.0 / (1.0 + math.exp(-self.log_ready))
        at_ph = self.kind.ph_factor(ph)
        before = math.exp(self.log_count)
        self.log_count += unhindered * at_ph * ready * hours
        self.log_ready += unhindered * hours
        after = math.exp(self.log_count)
        return (
            ACID_PER_CELL_MM * (after - before) + UPKEEP_PER_CELL_MM_H * after * at_temperature * at_ph * food * hours
        )


def ferment(
    vat: Vat,
    temperature_c: Floats,
    *,
    step_h: float,
    diluted: Mapping[int, float] | None = None,
    shifted: Mapping[int, float] | None = None,
) -> tuple[Floats, Floats]:
    """Return (pH, lactic acid in mmol/L) at the grid of the temperatures; the first point is the filling.

    `diluted`: by the number of the step, which part of acid and sugar fresh brine takes the place of (the buffers are
    the mash's own). `shifted`: by the number of the step, by how much lye, acid or mould moves pH; it counts as lactic
    acid taken away or added, and the mash is never less sour than at filling.
    """
    titration, kinds = Titration(vat), (_Growth(vat.early), _Growth(vat.late))
    salt = max(SALT_LIMIT_PERCENT - vat.salt_percent, 0.0) / (SALT_LIMIT_PERCENT - SALT_REFERENCE_PERCENT)
    acid, sugar, film = 0.0, vat.sugar_mm, vat.film_cover
    acids, phs = [acid], [titration.ph(acid)]
    for step, temperature in enumerate(temperature_c[:-1].tolist()):
        food = salt * sugar / (sugar + HALF_SUGAR_MM)
        new_acid = min(sum(kind.acid(phs[-1], temperature, food=food, hours=step_h) for kind in kinds), sugar)
        film += FILM_GROWTH_PER_H * film * (1.0 - film) * step_h
        sugar -= new_acid
        acid = max(acid + new_acid - vat.film_mm_h * film * step_h, 0.0)
        kept = 1.0 - (diluted or {}).get(step, 0.0)
        acid, sugar = acid * kept, sugar * kept
        if shifted and step in shifted:
            acid = max(float(acid_for(vat, phs[-1] + shifted[step])), 0.0)
        acids.append(acid)
        phs.append(titration.ph(acid))
    return np.array(phs), np.array(acids)


def course(
    vat: Vat,
    room: Room,
    *,
    hours: float,
    start_hour: float,
    step_s: float = STEP_S,
    dilutions: Mapping[float, float] | None = None,
    interventions: Sequence[Intervention] = (),
) -> Course:
    """Return the course from filling to `hours` after the run's begin; `dilutions`: parts replaced, by run hour."""
    step_h = step_s / 3600.0
    before, after = math.ceil(vat.age_h / step_h), math.ceil(hours / step_h)
    grid = np.arange(-before, after + 1, dtype=np.float64) * step_h
    air = room_temperature(room, grid, start_hour=start_hour)
    temperature = first_order_lag(air, step_h, tau=vat.lag_h, start=vat.start_c)
    interventions = on_grid(interventions, step_h)
    temperature = brought_c(temperature, grid, interventions, lag_h=vat.lag_h)
    diluted = {before + math.floor(hour / step_h): part for hour, part in (dilutions or {}).items()}
    diluted |= {before + step: part for step, part in replaced_parts(interventions, step_h).items()}
    shifted = shifts_ph(grid, interventions)
    ph, acid = ferment(vat, temperature, step_h=step_h, diluted=diluted, shifted=shifted)
    return Course(grid, ph, temperature, air, acid)


def draw_vat(vat: Vat, noise: Noise) -> Vat:
    """Return a vat as healthy as this one, with counts, rates, lag, buffers and start drawn from the usual ranges."""
    z = noise.normal(Stream.VAT, np.arange(9))
    part = np.array([0.5 * (1.0 + math.erf(value / math.sqrt(2.0))) for value in z.tolist()])  # uniform, 0 to 1
    work = float(2.0 + 6.0 * part[2])
    counts = (vat.early.log10_cfu_ml + 0.8 * float(z[0]), vat.late.log10_cfu_ml + 0.8 * float(z[1]))
    rates = (float(0.22 + 0.20 * part[3]), float(0.15 + 0.18 * part[4]))
    early = replace(vat.early, log10_cfu_ml=counts[0], mu20_per_h=rates[0], work_h0=work)
    late = replace(vat.late, log10_cfu_ml=counts[1], mu20_per_h=rates[1], work_h0=work)
    buffers = tuple((np.array([8.0, 6.0, 4.0]) + np.array([27.0, 19.0, 11.0]) * part[5:8]).tolist())
    ph = vat.ph_start + 0.3 * (2.0 * float(part[8]) - 1.0)
    return replace(vat, early=early, late=late, buffers_mm=buffers, ph_start=ph)
