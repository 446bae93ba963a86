"""Follow the records of a batch once, in pieces: hours in its limits, figures of each hour, forecasts on the way.

Law: reads nothing and computes figures for print alone; records stay as they were stored. Memory does not grow with the
log but by a line an hour. What is not believed counts as unknown, nowhere as kept.

Forecasts are made again, from what was believed up to each moment, for what a page showed then is not stored.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

import numpy as np

from logger.measure import forecast, windows
from logger.measure.exposure import Band, Bools, Exposure, count
from logger.measure.forecast import ForecastWindow, Goal
from logger.model import Belief, Floats, ForecastState, Ints, Measurements, Reason
from logger.report.curve import CurveForecast
from logger.report.reduction import whole_windows
from logger.units import HOUR_US, SECOND_US

DEGREE_HOURS_C = 15.6
"""60 F: above it the trade counts degree-hours (Good Manufacturing Practices for fermented sausages; from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseLimits:
    """What a batch is judged by, and from when to when it went on."""

    since_us: int
    until_us: int
    max_gap_s: float
    ph: float | None = None
    deadline_h: float | None = None
    low_c: float | None = None
    high_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HourFigures:
    """One hour of watch time. Lowest, median and highest are of believed readings; None: there was none."""

    at_us: int
    """UTC of its first record."""
    records: int
    believed: int
    ph: tuple[float, float, float] | None
    u: float | None
    """Median standard uncertainty."""
    temperature_c: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchCourse:
    """What the records of a batch say."""

    ph: Exposure
    """Of the readings, against the limit."""
    ph_with_u: Exposure
    """Of the upper end of the uncertainty: what cannot be excluded."""
    temperature: Exposure
    warm: Exposure
    """Of the temperature above `DEGREE_HOURS_C`."""
    hours: tuple[HourFigures, ...]
    forecasts: tuple[CurveForecast, ...]
    records: int
    read: int
    """Records with an indication."""
    ends_us: tuple[int, int] | None
    """UTC of the first and the last record."""
    calibrations: Mapping[int, int]
    """How many records were read by each calibration; 0: by none."""


@dataclass(slots=True, kw_only=True)
class CourseFollower:
    """What was followed so far."""

    limits: CourseLimits
    ph: Exposure = field(default_factory=Exposure)
    ph_with_u: Exposure = field(default_factory=Exposure)
    temperature: Exposure = field(default_factory=Exposure)
    warm: Exposure = field(default_factory=Exposure)
    hours: list[HourFigures] = field(default_factory=list)
    forecasts: list[CurveForecast] = field(default_factory=list)
    records: int = 0
    read: int = 0
    ends_us: tuple[int, int] | None = None
    calibrations: Counter[int] = field(default_factory=Counter)
    _hour: list[tuple[Measurements, Bools]] = field(default_factory=list)
    _open: int = -1
    """Which hour that is."""
    _state: ForecastState = field(default_factory=ForecastState)
    _begun_us: int | None = None
    """Watch time of the start."""

    def follow(self, pieces: Iterable[Measurements]) -> Iterator[Measurements]:
        """Pass the records on, and follow them."""
        for rows, whole in whole_windows(piece for piece in pieces if len(piece)):
            good = windows.without_spikes(rows, rows.belief) == Belief.BELIEVED
            kept, good = rows[:whole], good[:whole]
            self._count(kept)
            self._expose(kept, good)
            self._take_hours(kept, good)
            self._forecast(rows)
            yield kept
        self._close_hour()

    def course(self) -> BatchCourse:
        """Return what was followed."""
        return BatchCourse(
            ph=self.ph,
            ph_with_u=self.ph_with_u,
            temperature=self.temperature,
            warm=self.warm,
            hours=tuple(self.hours),
            forecasts=tuple(self.forecasts),
            records=self.records,
            read=self.read,
            ends_us=self.ends_us,
            calibrations=dict(self.calibrations),
        )

    def _count(self, rows: Measurements) -> None:
        self.records += len(rows)
        self.read += int(np.count_nonzero(rows.reason == Reason.NONE))
        numbers, counts = np.unique(rows.calibration, return_counts=True)
        self.calibrations.update(dict(zip(numbers.tolist(), counts.tolist(), strict=True)))
        first_us = int(rows.at_us[0]) if self.ends_us is None else self.ends_us[0]
        self.ends_us = first_us, int(rows.at_us[-1])
        if self._begun_us is None:
            self._begun_us = int(rows.elapsed_us[0]) - max(0, int(rows.at_us[0]) - self.limits.since_us)

    def _expose(self, rows: Measurements, good: Bools) -> None:
        limits, elapsed_us = self.limits, rows.elapsed_us
        gap_us = round(limits.max_gap_s * SECOND_US)
        upper = rows.ph + windows.COVERAGE * rows.u
        warm = windows.temperature_belief(rows) == Belief.BELIEVED
        acid = Band(high=limits.ph)
        self.ph = count(self.ph, acid, elapsed_us, rows.ph, good, max_gap_us=gap_us)
        self.ph_with_u = count(self.ph_with_u, acid, elapsed_us, upper, good, max_gap_us=gap_us)
        band = Band(limits.low_c, limits.high_c)
        self.temperature = count(self.temperature, band, elapsed_us, rows.temperature_c, warm, max_gap_us=gap_us)
        above = Band(high=DEGREE_HOURS_C)
        self.warm = count(self.warm, above, elapsed_us, rows.temperature_c, warm, max_gap_us=gap_us)

    def _take_hours(self, rows: Measurements, good: Bools) -> None:
        hour = (rows.elapsed_us - (self._begun_us or 0)) // HOUR_US
        cuts = [0, *(np.flatnonzero(hour[1:] != hour[:-1]) + 1).tolist(), len(rows)]
        for begin, end in pairwise(cuts):
            if self._open != hour[begin]:
                self._close_hour()
            self._open = int(hour[begin])
            self._hour.append((rows[begin:end], good[begin:end]))

    def _close_hour(self) -> None:
        if self._hour:
            rows, good = zip(*self._hour, strict=True)
            self.hours.append(_figures(Measurements.concatenate(rows), np.concatenate(good)))
        self._hour = []

    def _forecast(self, rows: Measurements) -> None:
        """Take the windows that these rows close; keep what is forecast as each part of the way is gone."""
        limits = self.limits
        if limits.ph is None or self._begun_us is None or self._state.has_reached:
            return
        due_us = None if limits.deadline_h is None else self._begun_us + round(limits.deadline_h * HOUR_US)
        goal = Goal(limit_ph=limits.ph, started_us=self._begun_us, due_us=due_us)
        for window in _windows(rows):
            before = self._state
            self._state = forecast.follow(forecast.begin(before, goal), window, goal)
            outlook = self._state.outlook
            if outlook is not None and len(self._state.made) > len(before.made):
                self.forecasts.append(
                    CurveForecast(
                        made_us=window.at_us,
                        ph=limits.ph,
                        low_us=outlook.low_us,
                        middle_us=outlook.middle_us,
                        high_us=outlook.high_us,
                    )
                )


def _windows(rows: Measurements) -> Iterator[ForecastWindow]:
    """Yield the windows that rows close, as they are forecast from; those without trust are not believed."""
    usable = ~np.isnan(rows.ph) & ((rows.tests & windows.LOST) == 0)
    belief = np.where(usable, windows.without_spikes(rows, rows.belief), int(Belief.NOT_BELIEVED))
    closed = _medians(rows, rows.ph, belief)
    warm = _medians(rows, rows.temperature_c, windows.temperature_belief(rows))
    for place, row in enumerate(closed.row.tolist()):
        yield ForecastWindow(
            begin_us=int(closed.begin_us[place]),
            at_us=int(rows.at_us[row]),
            elapsed_us=int(rows.elapsed_us[row]),
            ph=float(closed.value[place]) if closed.belief[place] == Belief.BELIEVED else float("nan"),
            u=float(closed.u[place]),
            temperature_c=float(warm.value[place]) if warm.belief[place] == Belief.BELIEVED else float("nan"),
        )


def _medians(rows: Measurements, value: Floats, belief: Ints) -> windows.WindowMedians:
    return windows.medians(rows, value, belief, first=0, window_s=forecast.WINDOW_S, fresh_us=0)


def _figures(rows: Measurements, good: Bools) -> HourFigures:
    warm = windows.temperature_belief(rows) == Belief.BELIEVED
    u = rows.u[good & ~np.isnan(rows.u)]
    return HourFigures(
        at_us=int(rows.at_us[0]),
        records=len(rows),
        believed=int(np.count_nonzero(rows.belief == Belief.BELIEVED)),
        ph=_of(rows.ph[good & ~np.isnan(rows.ph)]),
        u=float(median(u.tolist())) if len(u) else None,
        temperature_c=_of(rows.temperature_c[warm]),
    )


def _of(values: Floats) -> tuple[float, float, float] | None:
    return (float(values.min()), float(median(values.tolist())), float(values.max())) if len(values) else None
