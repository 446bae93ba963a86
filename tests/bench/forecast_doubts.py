"""Tabulate how likely a missed deadline was said to be, beside how often it was missed, and what creeping faults do."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from logger.model import BatchOutlook, Foresight
from tests.bench.forecast_curves import STEP_H
from tests.bench.forecast_ours import hours_of, states
from tests.bench.forecast_sets import CREEPING, CREEPS_AT, CREPT_H, DEADLINES_H, ForecastSet, Watched, vats

BEFORE_H = (48.0, 24.0, 12.0, 6.0)
BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
SURE = 0.9


def deadline_table(chosen: ForecastSet) -> Iterator[str]:
    """Yield by what was said of a deadline, 48 to 6 h before it, how often that was missed; by the true pH."""
    said: list[tuple[BatchOutlook, bool]] = []
    for vat in vats(chosen, (*chosen.families, *chosen.late)):
        for due_h in DEADLINES_H:
            rows = {round((due_h - before) / STEP_H) for before in BEFORE_H if due_h > before}
            every = [state.outlook for state in states(vat, max(rows), due_h=due_h)]
            said += [(outlook, vat.crosses_h > due_h) for row in rows if (outlook := every[row])]
    known = [(outlook.missed, missed, outlook.is_at_least) for outlook, missed in said if outlook.missed is not None]
    yield f"{len(said)} forecasts of vats that read above the target, {len(known)} with a probability"
    yield f"{'said':<16}{'times':>8}{'missed':>8}{'  at least, times':>18}{'missed':>8}"
    for low, high in pairwise(BINS):
        told = [[missed for p, missed, least in known if low <= p < high and least is kind] for kind in (False, True)]
        yield f"{low:.1f} to {high:.1f}{'':<6}" + "".join(
            f"{len(each):>{wide}}{np.mean(each) if each else np.nan:>8.2f}"
            for each, wide in zip(told, (8, 18), strict=True)
        )


@dataclass(frozen=True, slots=True)
class Crept:
    """What was said so long after a fault began, with it and without."""

    outlook: BatchOutlook | None
    healthy: BatchOutlook | None
    remained_h: float
    is_missed: bool


def creeping_table(chosen: ForecastSet) -> Iterator[str]:
    """Yield by fault and hours since its begin what was said of vats that are not at the target yet."""
    names = f"{'told':>7}{'held':>7}{'later':>7}{'early':>7}{'width':>8}{'sure, wrong':>13}"
    yield f"{'':<22}{'after h':>8}{'vats':>6}{names}"
    healthy = dict(enumerate(vats(chosen, chosen.families)))
    for fault in CREEPING:
        crept: dict[float, list[Crept]] = {hours: [] for hours in CREPT_H}
        for number, vat in enumerate(vats(chosen, chosen.families, fault=fault)):
            for hours, each in _crept(vat, healthy[number]):
                crept[hours].append(each)
        for hours, found in crept.items():
            yield _crept_line(fault, hours, found)


def _crept(vat: Watched, healthy: Watched) -> Iterator[tuple[float, Crept]]:
    begin = vat.window_at(CREEPS_AT)
    rows = {hours: begin + round(hours / STEP_H) for hours in CREPT_H}
    rows = {hours: row for hours, row in rows.items() if vat.truth.hours[row] < vat.crosses_h - 1.0}
    if not rows:
        return
    due_h = 96.0
    every = [[state.outlook for state in states(each, max(rows.values()), due_h=due_h)] for each in (vat, healthy)]
    for hours, row in rows.items():
        remained = vat.crosses_h - float(vat.truth.hours[row])
        yield hours, Crept(every[0][row], every[1][row], remained, vat.crosses_h > due_h)


def _crept_line(fault: str, hours: float, crept: list[Crept]) -> str:
    told = [(said, each) for each in crept if (said := hours_of(each.outlook))]
    wrong = np.mean([_is_surely_wrong(each) for each in crept]) if crept else 0.0
    if not told:
        return f"{fault:<22}{hours:>8.0f}{len(crept):>6}{0.0:>7.2f}{'':>30}{wrong:>13.2f}"
    later = [each.remained_h > said[2] for said, each in told]
    early = [each.remained_h < said[0] for said, each in told]
    wider = [
        (said[2] - said[0]) / max(beside[2] - beside[0], 0.1)
        for said, each in told
        if (beside := hours_of(each.healthy)) and each.healthy and each.healthy.foresight is Foresight.TOLD
    ]
    return (
        f"{fault:<22}{hours:>8.0f}{len(crept):>6}{len(told) / len(crept):>7.2f}"
        f"{1.0 - np.mean(later) - np.mean(early):>7.2f}{np.mean(later):>7.2f}{np.mean(early):>7.2f}"
        f"{np.median(wider) if wider else np.nan:>7.1f}x{wrong:>13.2f}"
    )


def _is_surely_wrong(crept: Crept) -> bool:
    """Tell whether a missed deadline was said to be nearly sure, or nearly impossible, and it was not so."""
    missed = None if crept.outlook is None else crept.outlook.missed
    if missed is None or (crept.outlook and crept.outlook.is_at_least and missed < SURE):
        return False
    return (missed >= SURE and not crept.is_missed) or (missed <= 1.0 - SURE and crept.is_missed)
