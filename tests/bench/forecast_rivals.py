"""Forecast in other ways, for comparison: a bare line, a least-squares fit, a particle filter.

Law: each is given all windows up to one and says when pH comes to the target: low, middle and high end of its 90 %
interval, in hours from then. None: it cannot say.
"""

from collections.abc import Callable
from math import isfinite

import numpy as np
from scipy.optimize import OptimizeWarning, curve_fit

from simulator.vat import Floats
from tests.bench.forecast_curves import STEP_H
from tests.bench.forecast_sets import TARGET_PH, Watched

Interval = tuple[float, float, float]
Forecaster = Callable[[Watched, list[int]], list[Interval | None]]
"""Returns what was forecast at each of some windows, in their order."""
LINE_H = 4.0
Z = 1.6448536269514722
HORIZON_H = 240.0


def bare_line(vat: Watched, at: list[int]) -> list[Interval | None]:
    """Draw a straight line through the last four hours; the interval by the scatter about it."""
    return [_line(vat, row) for row in at]


def _line(vat: Watched, row: int) -> Interval | None:
    part = slice(max(row + 1 - round(LINE_H / STEP_H), 0), row + 1)
    x, y = vat.truth.hours[part] - vat.truth.hours[row], vat.ph[part]
    x, y = x[~np.isnan(y)], y[~np.isnan(y)]
    if len(x) < 6:
        return None
    (slope, now), cov = np.polyfit(x, y, 1, cov=True)
    if slope >= 0.0:
        return None
    to_go = (TARGET_PH - now) / slope
    u = float(np.sqrt(cov[1, 1] + to_go**2 * cov[0, 0] + 2.0 * to_go * cov[0, 1]) / abs(slope))
    return max(to_go - Z * u, 0.0), max(to_go, 0.0), max(to_go + Z * u, 0.0)


def _logistic(x: Floats, start: float, fall: float, rate: float, middle: float) -> Floats:
    return np.asarray(start - fall / (1.0 + np.exp(-np.clip(rate * (x - middle), -60.0, 60.0))))


def least_squares(vat: Watched, at: list[int]) -> list[Interval | None]:
    """Fit a logistic curve to all that was seen; the interval by the covariance of its parameters."""
    return [_fit(vat, row) for row in at]


def _fit(vat: Watched, row: int) -> Interval | None:
    seen = ~np.isnan(vat.ph[: row + 1])
    x, y = vat.truth.hours[: row + 1][seen][::2], vat.ph[: row + 1][seen][::2]
    if len(x) < 12:
        return None
    first = (float(y[:6].mean()), 2.3, 0.12, float(x[-1]) + 5.0)
    with np.errstate(all="ignore"), np.testing.suppress_warnings() as quiet:
        quiet.filter(OptimizeWarning)
        try:
            found, cov = curve_fit(_logistic, x, y, first, maxfev=2000)
        except RuntimeError:
            return None
        drawn = np.random.default_rng(row).multivariate_normal(found, cov, 400, check_valid="ignore", method="svd")
        low, middle, high = np.nanquantile(_crossings(np.vstack([found, drawn])), (0.05, 0.5, 0.95), method="nearest")
    now = float(vat.truth.hours[row])
    return (max(low - now, 0.0), max(middle - now, 0.0), max(high - now, 0.0)) if isfinite(middle) else None


def _crossings(parameters: Floats) -> Floats:
    start, fall, rate, middle = parameters.T
    part = (start - TARGET_PH) / fall
    return np.where((part > 0.0) & (part < 1.0), middle - np.log(1.0 / part - 1.0) / rate, np.inf)


def particle_filter(vat: Watched, at: list[int]) -> list[Interval | None]:
    """Follow 1000 Gompertz curves in biological time; what remains is stretched by a learnt ratio."""
    rng, cloud, out = np.random.default_rng(1), None, {}
    for row in range(max(at) + 1):
        y, warm = float(vat.ph[row]), float(vat.temperature_c[row])
        if cloud is None:
            cloud = None if np.isnan(y) else _Cloud(rng, y)
        else:
            cloud.follow(y, warm)
        if row in at and cloud is not None:
            out[row] = cloud.forecast(vat.temperature_c[: row + 1])
    return [out.get(row) for row in at]


class _Cloud:
    """Particles: first pH, fall, and the logarithms of rate and of what is left of the lag."""

    def __init__(self, rng: np.random.Generator, y: float) -> None:
        n = 1000
        self.rng, self.log_w = rng, np.zeros(n)
        self.p0 = y + rng.normal(0.0, 0.08, n)
        self.fall = np.maximum(self.p0 - rng.normal(3.6, 0.35, n), 0.4)
        rate = np.exp(rng.normal(np.log(0.065), 0.7, n))
        k = rate * np.e / self.fall
        self.ln_k, self.ln_g = np.log(k), k * np.exp(rng.normal(np.log(22.0), 0.8, n)) + 1.0

    def follow(self, y: float, warm: float) -> None:
        n, rng = len(self.p0), self.rng
        self.ln_g -= np.exp(self.ln_k) * STEP_H * ((max(warm, -3.0) + 3.0) / 23.0) ** 2
        self.ln_k += rng.normal(0.0, 0.08 * STEP_H**0.5, n)
        self.fall = np.maximum(self.fall + rng.normal(0.0, 0.015 * STEP_H**0.5, n), 0.3)
        if np.isnan(y):
            return
        off = (y - self.p0 + self.fall * np.exp(-np.exp(np.minimum(self.ln_g, 50.0)))) / 0.035
        self.log_w += -2.5 * np.log1p(off * off / 4.0) * min(1.0, (STEP_H / 0.5) ** 0.5)
        w = np.exp(self.log_w - self.log_w.max())
        w /= w.sum()
        if 1.0 / (w * w).sum() < n / 2:
            self._resample(w)

    def _resample(self, w: Floats) -> None:
        n = len(w)
        chosen = np.minimum(np.searchsorted(np.cumsum(w), (np.arange(n) + self.rng.random()) / n), n - 1)
        for name in ("p0", "fall", "ln_k", "ln_g"):
            values = getattr(self, name)[chosen]
            spread = self.rng.normal(0.0, 1.0, n) * 0.141 * values.std()
            setattr(self, name, 0.99 * values + 0.01 * values.mean() + spread)
        self.log_w = np.zeros(n)

    def forecast(self, warm: Floats) -> Interval | None:
        rng = self.rng
        w = np.exp(self.log_w - self.log_w.max())
        chosen = rng.choice(len(w), 400, p=w / w.sum())
        y = (self.p0[chosen] + rng.normal(0.0, 0.06, 400) - TARGET_PH) / np.maximum(self.fall[chosen], 0.3)
        with np.errstate(all="ignore"):
            need = np.maximum(self.ln_g[chosen] - np.log(-np.log(y)), 0.0) / np.exp(self.ln_k[chosen])
        need = np.where(y >= 1.0, np.inf, np.where(y <= 0.0, 0.0, need))
        need /= np.exp(0.08 * rng.normal(0.0, 1.0, 400) * np.sqrt(np.minimum(need, 60.0) / 3.0))
        need *= np.exp(0.10 + 0.25 * rng.normal(0.0, 1.0, 400))
        day = np.resize(warm[-round(24.0 / STEP_H) :], round(HORIZON_H / STEP_H))
        reached = np.cumsum(((np.maximum(day, -3.0) + 3.0) / 23.0) ** 2) * STEP_H
        hours = np.where(need <= reached[-1], np.searchsorted(reached, need) * STEP_H, np.inf)
        low, middle, high = np.quantile(hours, (0.05, 0.5, 0.95), method="nearest")
        return float(low), float(middle), float(high)


RIVALS: dict[str, Forecaster] = {
    "line, last 4 h": bare_line,
    "least-squares logistic": least_squares,
    "particle filter": particle_filter,
}
