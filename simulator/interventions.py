"""Change a vat from outside while a run goes on: warm or cool it, top it up with cold brine, shift its pH.

Law: what happens before an intervention begins is the same to the bit as without it. It begins with the first step of
the vat's integration at or after its hour.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOMENT_H = 1e-9
"""Shorter than any step: what rounding leaves of a moment."""
HEATING_TAU_H = 1.0
"""Hot or cold water in a jacket moves a vat this fast. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Intervention:
    """What is done to the vat from `start_h` to `end_h` (run hours)."""

    start_h: float
    end_h: float = np.inf
    ph_per_h: float = 0.0
    """Lye, acid, or mould that eats it: pH moves by this much, whatever acid the bacteria make meanwhile."""
    target_c: float | None = None
    """Temperature to which the vat is brought."""
    drop_c: float = 0.0
    """The vat is colder by this at once, and takes the room's temperature again with its own lag."""
    part: float = 0.0
    """Part of the liquid that fresh brine takes the place of at `start_h`."""


def on_grid(interventions: Iterable[Intervention], step_h: float) -> tuple[Intervention, ...]:
    """Return the interventions, each moved so that it begins with a step; it lasts as long."""
    return tuple(_moved(one, math.ceil(one.start_h / step_h - MOMENT_H) * step_h) for one in interventions)


def _moved(one: Intervention, start_h: float) -> Intervention:
    return replace(one, start_h=start_h, end_h=one.end_h - one.start_h + start_h)


def replaced_parts(interventions: Iterable[Intervention], step_h: float) -> dict[int, float]:
    """Return the part of the liquid that fresh brine takes the place of, by the number of the step of the run."""
    return {round(one.start_h / step_h): one.part for one in interventions if one.part}


def brought_c(temperature_c: Floats, hours: Floats, interventions: Iterable[Intervention], *, lag_h: float) -> Floats:
    """Return the vat's temperature on the grid of `hours` with the interventions."""
    out = temperature_c
    for one in interventions:
        since = hours - one.start_h
        out = np.where(since > MOMENT_H, out - one.drop_c * np.exp(-np.maximum(since, 0.0) / lag_h), out)
        if one.target_c is not None:
            inside = np.clip(hours, one.start_h, one.end_h) - one.start_h
            after = np.maximum(hours - one.end_h, 0.0)
            weight = -np.expm1(-inside / HEATING_TAU_H) * np.exp(-after / lag_h)
            out = out + weight * (one.target_c - np.interp(one.start_h, hours, temperature_c))
    return out


def shifts_ph(hours: Floats, interventions: Iterable[Intervention]) -> dict[int, float]:
    """Return by how much pH is moved in each step of the grid, by the number of the step."""
    out: dict[int, float] = {}
    for one in (each for each in interventions if each.ph_per_h):
        covered = np.minimum(hours[1:], one.end_h) - np.maximum(hours[:-1], one.start_h)
        for step in np.flatnonzero(covered > MOMENT_H).tolist():
            out[step] = out.get(step, 0.0) + one.ph_per_h * float(covered[step])
    return out
