"""Compare many settings of one alarm on the past: how many nuisances against how long a delay.

Law: pure, and no second evaluation: one watch carries every setting as an alarm of its own beside the vat's other
alarms. Each alarm is judged independently and what was asked of the one is asked of all, so a cell tells what a plain
replay under its setting would.

What there is to detect: the faults of a simulated run during which an instrument alarm without delays speaks; else the
stretches that the alarm, at its present setpoint (or another limit) with its deadband and window but without delays,
stands for longer than a nuisance would. Such a stretch begins with the first window it speaks of.

An alarm that one day depends on another alarm must keep this.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import inf, prod
from statistics import median
from typing import Any, Final

from logger.config import AlarmConfig, PeopleConfig, ProbeConfig, VatConfig
from logger.errors import RefusedError
from logger.model import Block, Command
from logger.report.trial import Annunciations, Judge, Occurrence
from logger.settings.vat_checks import vat_problems
from logger.structs import replace
from logger.units import SECOND_US
from logger.watch.pipeline import Watch

SWEPT: Final = ("setpoint", "deadband", "on_delay_s", "off_delay_s", "window_s")
LARGEST: Final = 1000
"""Settings a sweep may have: more than anybody reads."""
NIGHT_S: Final = 43_200.0
"""Twelve hours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """A vat and the settings of one of its alarms that are tried; the present one is among them."""

    vat: VatConfig
    present: AlarmConfig
    settings: tuple[AlarmConfig, ...]
    limit: float | None
    """Setpoint from which on there is something to detect; None for instrument alarms."""

    def watch(self, probe: ProbeConfig) -> Watch:
        """Return the watch that carries all settings at once, and the one without delays; whoever sleeps, it judges."""
        others = [alarm for alarm in self.vat.alarms if alarm.id != self.present.id]
        tried = [replace(alarm, id=name) for name, alarm in zip(self.names, self.settings, strict=True)]
        at_once = replace(self.present, setpoint=self.limit, on_delay_s=0.0, off_delay_s=0.0, realarm_s=None)
        undelayed = replace(at_once, id=self._undelayed)
        return Watch(vat=replace(self.vat, alarms=(*others, *tried, undelayed), people=PeopleConfig()), probe=probe)

    @property
    def names(self) -> list[str]:
        """Return what each setting is called in that watch: names that no alarm can have in a file."""
        return [f"{self.present.id}~{number}" for number in range(len(self.settings))]

    @property
    def _undelayed(self) -> str:
        return f"{self.present.id}~undelayed"

    def asked(self, items: Iterable[Block | Command]) -> Iterator[Block | Command]:
        """Yield the items; what was asked of the alarm is asked of each setting."""
        for item in items:
            if isinstance(item, Command) and item.alarm == self.present.id:
                yield from (replace(item, alarm=name) for name in (*self.names, self._undelayed))
            else:
                yield item

    def targets(self, annunciations: Annunciations, judge: Judge) -> list[tuple[int, int]]:
        """Return from when to when (watch time) the alarm had something to tell."""
        window_us = round(self.present.window_s * SECOND_US)
        spoke = [(one.start_us - window_us, one.end_us) for one in annunciations.of(self._undelayed)]
        if judge.faults is None or self.present.kind.has_value:
            least_us = judge.within_s * SECOND_US + window_us
            return [(start, end) for start, end in spoke if end - start > least_us]
        stretches = [(f.from_us, annunciations.end_us if f.until_us is None else f.until_us) for f in judge.faults]
        return [(start, end) for start, end in stretches if any(a <= end and start <= b for a, b in spoke)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """The result of one setting over all sources."""

    alarm: AlarmConfig
    present: bool
    annunciations: int = 0
    nuisance: int = 0
    seconds: float = 0.0
    delays_s: tuple[float, ...] = ()
    """From the beginning of what there was to detect; below 0 where the alarm came before."""
    missed: int = 0
    unbettered: bool = False
    """No other setting is as good in missed, nuisances and delay and better in one of them."""

    @property
    def nuisance_per_night(self) -> float:
        """Return nuisances in twelve hours."""
        return self.nuisance * NIGHT_S / self.seconds if self.seconds else 0.0

    @property
    def annunciations_per_night(self) -> float:
        """Return annunciations in twelve hours."""
        return self.annunciations * NIGHT_S / self.seconds if self.seconds else 0.0

    @property
    def delay_s(self) -> float | None:
        """Return the median delay; None where nothing was detected."""
        return median(self.delays_s) if self.delays_s else None

    @property
    def merits(self) -> tuple[float, float, float]:
        """Return what is better when smaller: missed, nuisances, median delay."""
        return self.missed, self.nuisance, inf if self.delay_s is None else self.delay_s


def sweep(
    vat: VatConfig,
    probe: ProbeConfig,
    alarm_id: str,
    values: Mapping[str, Sequence[float]],
    *,
    limit: float | None = None,
) -> Sweep:
    """Return every combination of the values, and the present setting. Raises RefusedError for what cannot be run.

    `limit`: pH or temperature from which on there is something to detect; None: the present setpoint.
    """
    present = next(alarm for alarm in vat.alarms if alarm.id == alarm_id)
    given = {name: values[name] for name in SWEPT if values.get(name)}
    count = prod(map(len, given.values()))
    if count > LARGEST:
        raise RefusedError(f"these are {count} settings, at most {LARGEST} can be tried at once: give fewer values")
    rows: Iterator[dict[str, Any]] = (dict(zip(given, row, strict=True)) for row in product(*given.values()))
    tried = tuple(dict.fromkeys((*(replace(present, **row) for row in rows), present)))
    if len(tried) == 1:
        raise RefusedError(f"there is nothing to try but the present setting of {alarm_id}: give other values")
    at = present.setpoint if limit is None else limit
    for alarm in (*tried, replace(present, setpoint=at)):
        _check(vat, probe, alarm)
    return Sweep(vat=vat, present=present, settings=tried, limit=at)


def _check(vat: VatConfig, probe: ProbeConfig, alarm: AlarmConfig) -> None:
    """Raise RefusedError for a setting that a configuration file could not have either."""
    alarms = tuple(alarm if each.id == alarm.id else each for each in vat.alarms)
    problem = next(vat_problems(replace(vat, alarms=alarms), probe), None)
    if problem is not None:
        raise RefusedError(f"this setting cannot be tried: {problem.line('')}")


def cells(swept: Sweep, results: Iterable[tuple[Annunciations, Judge]]) -> list[Cell]:
    """Return the cells over all sources: fewest missed first, then fewest nuisances, then shortest delay."""
    tried = [Cell(alarm=alarm, present=alarm == swept.present) for alarm in swept.settings]
    for annunciations, judge in results:
        targets = swept.targets(annunciations, judge)
        tried = [
            _add(cell, annunciations.of(name), targets, annunciations.seconds, judge)
            for name, cell in zip(swept.names, tried, strict=True)
        ]
    marked = [replace(cell, unbettered=not any(_betters(each, cell) for each in tried)) for cell in tried]
    return sorted(marked, key=lambda cell: (*cell.merits, cell.annunciations, cell.present))


def _add(
    cell: Cell, occurrences: Sequence[Occurrence], targets: Sequence[tuple[int, int]], seconds: float, judge: Judge
) -> Cell:
    """Add a source to a cell; an annunciation that detects something is no nuisance, however soon it returned."""
    window_us = round(cell.alarm.window_s * SECOND_US)
    detecting = [_detecting(occurrences, target, window_us=window_us) for target in targets]
    return replace(
        cell,
        annunciations=cell.annunciations + len(occurrences),
        nuisance=cell.nuisance + sum(judge.is_nuisance(cell.alarm, one) for one in occurrences if one not in detecting),
        seconds=cell.seconds + seconds,
        delays_s=(
            *cell.delays_s,
            *((one.start_us - start) / SECOND_US for one, (start, _) in zip(detecting, targets, strict=True) if one),
        ),
        missed=cell.missed + detecting.count(None),
    )


def _detecting(occurrences: Sequence[Occurrence], target: tuple[int, int], *, window_us: int) -> Occurrence | None:
    """Return the first occurrence that stands in a stretch; its last window is judged after it."""
    start, end = target
    return next((one for one in occurrences if one.end_us > start and one.start_us <= end + window_us), None)


def _betters(cell: Cell, other: Cell) -> bool:
    return cell.merits != other.merits and all(a <= b for a, b in zip(cell.merits, other.merits, strict=True))
