"""Detect that an electrode has settled in a buffer, and measure how fast it did.

Law: a potential is called stable only when the drift of the window is known well enough to say so: noise alone neither
makes it stable nor keeps a sound electrode from being so, for then a longer window is looked at. Noise and movement are
told apart: the range is that of medians over sixths of the window, the noise that about a straight line. Readings
without a value count for nothing. No clock is read: readings carry their own time.

Windows grow (30, 60, 120 s) until the drift is known to half of its limit: a raw range of 0.5 mV cannot be met by an
electrode with 0.25 mV of noise.
"""

from enum import StrEnum

import numpy as np

from logger.model import Floats
from logger.structs import Struct, replace

MINUTE_S = 60.0
PARTS = 6
"""The window's medians over so many parts show movement without noise (5 s each of 30 s).

Common practice, no source.
"""
FEWEST = 4
"""A line and its noise need so many readings. Common practice, no source."""
LN20 = float(np.log(20.0))
"""A first-order step is 95 % done after so many time constants."""


class StabilityLimits(Struct, frozen=True, kw_only=True):
    """When a potential is stable, each common practice without a source."""

    window_s: float = 30.0
    longest_s: float = 120.0
    """A noisy electrode is looked at for up to this long."""
    drift_mv_per_min: float = 0.3
    range_mv: float = 0.5
    temperature_c_per_min: float = 0.2


class StabilityState(StrEnum):
    """What stands between a potential and its being taken."""

    STABLE = "stable"
    SILENT = "silent"
    """Too many readings of the window are missing."""
    WAITING = "waiting"
    """The window is not full yet."""
    WARMING = "temperature moving"
    DRIFTING = "drifting"
    NOISY = "noisy"


class Stability(Struct, frozen=True, kw_only=True):
    """The last readings in one glass, as figures and as a verdict."""

    state: StabilityState
    count: int
    """Readings with a value in the window."""
    window_s: float
    """Length of the window that was looked at."""
    potential_mv: float
    """Median of the window, mV; NaN without a reading."""
    temperature_c: float
    """Median of the window, C; NaN without one."""
    drift_mv_per_min: float
    u_drift_mv_per_min: float
    """Standard uncertainty of the drift, by the noise."""
    range_mv: float
    """Highest minus lowest, of medians over sixths of the window."""
    noise_mv: float
    """Standard deviation about the line through the window."""
    temperature_c_per_min: float

    @property
    def is_stable(self) -> bool:
        """Tell whether the potential may be taken."""
        return self.state is StabilityState.STABLE


class Settling(Struct, frozen=True, kw_only=True):
    """A first-order approach E(t) = final + step * exp(-t / tau), fitted by least squares."""

    tau_s: float
    t95_s: float
    """Time for 95 % of the step: tau ln 20."""
    final_mv: float
    """Where the potential is going."""
    step_mv: float
    """How far it was from there at the first reading used."""
    residual_mv: float
    """Standard deviation of the readings about the curve."""


def judge(
    time_s: Floats, potential_mv: Floats, temperature_c: Floats, *, limits: StabilityLimits | None = None
) -> Stability:
    """Return the stability of the newest readings taken since the electrode came into this glass.

    `time_s`: rising, any origin; potential in mV, temperature in C, NaN where missing; one length. The window grows up
    to `longest_s` until the drift is known to half of its limit.
    """
    limits = limits or StabilityLimits()
    windows = [limits.window_s, 2 * limits.window_s, limits.longest_s]
    fitting = sorted({min(w, limits.longest_s) for w in windows})
    stability = _measure_window(time_s, potential_mv, temperature_c, limits=limits)
    for window_s in fitting[1:]:
        if stability.state is not StabilityState.NOISY or len(time_s) == 0 or time_s[-1] - time_s[0] < window_s:
            break
        stability = _measure_window(time_s, potential_mv, temperature_c, limits=replace(limits, window_s=window_s))
    return stability


def _measure_window(
    time_s: Floats, potential_mv: Floats, temperature_c: Floats, *, limits: StabilityLimits
) -> Stability:
    inside = time_s >= (time_s[-1] if len(time_s) else 0.0) - limits.window_s
    read = inside & ~np.isnan(potential_mv)
    t, mv = time_s[read], potential_mv[read]
    warm = inside & ~np.isnan(temperature_c)
    drift, noise, u_drift = _line(t, mv)
    warming, _, _ = _line(time_s[warm], temperature_c[warm])
    measured = Stability(
        state=StabilityState.WAITING,
        count=len(mv),
        window_s=limits.window_s,
        potential_mv=float(np.median(mv)) if len(mv) else np.nan,
        temperature_c=float(np.median(temperature_c[warm])) if warm.any() else np.nan,
        drift_mv_per_min=drift * MINUTE_S,
        u_drift_mv_per_min=u_drift * MINUTE_S,
        range_mv=_range(mv),
        noise_mv=noise,
        temperature_c_per_min=warming * MINUTE_S,
    )
    return replace(measured, state=_state_of(measured, time_s, silent=2 * len(mv) <= inside.sum(), limits=limits))


def _state_of(measured: Stability, time_s: Floats, *, silent: bool, limits: StabilityLimits) -> StabilityState:
    """Return the first thing that stands in the way, the one a person should mend first."""
    if silent:
        return StabilityState.SILENT if len(time_s) >= FEWEST else StabilityState.WAITING
    steps = np.diff(time_s)
    if measured.count < FEWEST or time_s[-1] - time_s[0] < limits.window_s - 1.5 * float(np.median(steps)):
        return StabilityState.WAITING
    if not abs(measured.temperature_c_per_min) < limits.temperature_c_per_min:
        return StabilityState.WARMING
    if abs(measured.drift_mv_per_min) - 2.0 * measured.u_drift_mv_per_min >= limits.drift_mv_per_min:
        return StabilityState.DRIFTING
    is_drift_known = measured.u_drift_mv_per_min <= limits.drift_mv_per_min / 2.0
    if not is_drift_known or measured.range_mv >= limits.range_mv:
        return StabilityState.NOISY
    return (
        StabilityState.STABLE if abs(measured.drift_mv_per_min) < limits.drift_mv_per_min else StabilityState.DRIFTING
    )


def _line(t: Floats, y: Floats) -> tuple[float, float, float]:
    """Return slope (a second), standard deviation about the line, and u of the slope; the line by least squares."""
    if len(y) < FEWEST:
        return np.nan, np.nan, np.nan
    x = t - t.mean()
    spread = float(x @ x)
    slope = float(x @ y) / spread
    rest = y - y.mean() - slope * x
    noise = float(np.sqrt(rest @ rest / (len(y) - 2)))
    return slope, noise, noise / spread**0.5


def _range(mv: Floats) -> float:
    if not len(mv):
        return np.nan
    width = max(1, len(mv) // PARTS)
    return float(np.ptp(np.median(np.lib.stride_tricks.sliding_window_view(mv, width), axis=1)))


def settling(time_s: Floats, potential_mv: Floats) -> Settling | None:
    """Return how the potential went to rest after the change of glass; None: the readings do not tell.

    `time_s` rising, mV with NaN where missing. Readings before the one farthest from the end are left out: there the
    electrode was still on its way. Every tau of a fine grid is tried, the rest of the fit is linear. Nothing is told
    when the step does not stand out of the noise, or is not over when the readings end (tau above half of their span).
    """
    read = ~np.isnan(potential_mv)
    t, mv = time_s[read], potential_mv[read]
    if len(mv) < 2 * FEWEST:
        return None
    first = int(np.argmax(np.abs(mv - np.median(mv[-FEWEST:]))))
    t, mv = t[first:] - t[first], mv[first:]
    if len(mv) < 2 * FEWEST:
        return None
    shortest, longest = float(np.median(np.diff(t))) / 4.0, float(t[-1]) / 2.0
    if shortest >= longest:
        return None
    fit = _best(t, mv, np.geomspace(shortest, longest, 121))
    fit = _best(t, mv, np.geomspace(fit.tau_s / 1.1, fit.tau_s * 1.1, 121))
    stands_out = abs(fit.step_mv) > max(1.0, 10.0 * fit.residual_mv)
    return fit if stands_out and fit.tau_s < longest else None


def _best(t: Floats, mv: Floats, taus: Floats) -> Settling:
    """Return the curve of least squares among these time constants; final and step are exact for each of them."""
    curves = np.exp(-t[None, :] / taus[:, None])
    x = curves - curves.mean(axis=1, keepdims=True)
    y = mv - mv.mean()
    spread = (x * x).sum(axis=1)
    step = np.where(spread > 0, x @ y / np.where(spread > 0, spread, 1.0), 0.0)
    rest = y - step[:, None] * x
    squares = (rest * rest).sum(axis=1)
    n = int(np.argmin(squares))
    tau = float(taus[n])
    return Settling(
        tau_s=tau,
        t95_s=tau * LN20,
        final_mv=float(mv.mean() - step[n] * curves[n].mean()),
        step_mv=float(step[n]),
        residual_mv=float(np.sqrt(squares[n] / (len(mv) - 3))),
    )


def advice(one: Stability) -> str:
    """Say what to look for when the time is up and the potential could not be taken; empty when it is stable."""
    return {
        StabilityState.STABLE: "",
        StabilityState.SILENT: (
            "The probe hardly answers: look at its plug, its cable and its power, then try this buffer again."
        ),
        StabilityState.WAITING: "There are too few readings yet: leave the probe where it is.",
        StabilityState.WARMING: (
            f"The temperature still moves by {abs(one.temperature_c_per_min):.1f} C a minute: buffer and probe "
            "are not equally warm. Let both stand until they have the temperature of the room, then try again."
        ),
        StabilityState.DRIFTING: (
            f"The potential still creeps by {abs(one.drift_mv_per_min):.1f} mV a minute. Is the bulb dry (soak "
            "it in storage solution for an hour), is the junction dirty (clean it), is the buffer cold? Stir gently, "
            "wait."
        ),
        StabilityState.NOISY: (
            f"The potential jumps about by {max(one.noise_mv, one.range_mv):.1f} mV. Is there an air bubble "
            "behind the glass (shake it down like a thermometer), is the plug wet or loose, does the cable lie by a "
            "motor or a heater, are bulb and junction both in the buffer?"
        ),
    }[one.state]
