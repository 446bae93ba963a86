"""Draw vats whose pH falls, by laws that have nothing in common but the direction: for judging forecasts.

Law: a family and a seed determine a vat to the bit. `acid` families grow two kinds of bacteria and titrate
(`simulator/vat.py`); the others are curves and rate laws of the literature in forms of their own, each with another law
of temperature. Ranges: common practice, no source, so that 4.6 is crossed after some 25 to 230 h.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.structs import replace
from simulator.noise import Noise
from simulator.runs import STARTER, WILD
from simulator.vat import Floats, HeaterFailure, Room, Vat, course, draw_vat, first_order_lag, room_temperature

STEP_H = 1.0 / 6.0
"""Windows of ten minutes."""
HOURS = 300.0
GAS_J_PER_MOL_K = 8.314462618
KELVIN = 273.15
TWENTY_C = 20.0
UNDISSOCIATED_LIMIT_MM = 69.0
"""Lactobacillus plantarum stops at so much undissociated lactic acid in cucumber juice (from memory)."""

Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Truth:
    """A vat: its true pH and temperature at the end of each window after the filling."""

    hours: Floats
    ph: Floats
    temperature_c: Floats


def _grid() -> Floats:
    return np.asarray(np.arange(round(HOURS / STEP_H)) * STEP_H, dtype=np.float64)


def _logarithmic(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _room(rng: Rng, *, mean_c: tuple[float, float], swing_c: tuple[float, float]) -> Room:
    return Room(mean_c=float(rng.uniform(*mean_c)), swing_c=float(rng.uniform(*swing_c)))


def _temperature(rng: Rng, room: Room) -> Floats:
    air = room_temperature(room, _grid(), start_hour=float(rng.uniform(6.0, 22.0)))
    return first_order_lag(air, STEP_H, tau=float(rng.uniform(6.0, 20.0)))


def _paced(pace: Floats) -> Floats:
    """Return the hours at 20 C that have passed at each window, by the pace of each."""
    return np.concatenate([[0.0], np.cumsum(pace[:-1]) * STEP_H])


def _arrhenius(temperature_c: Floats, kj_per_mol: float) -> Floats:
    inverse = 1.0 / (TWENTY_C + KELVIN) - 1.0 / (temperature_c + KELVIN)
    return np.asarray(np.exp(1e3 * kj_per_mol / GAS_J_PER_MOL_K * inverse))


def _q10(temperature_c: Floats, factor: float) -> Floats:
    return np.asarray(factor ** ((temperature_c - TWENTY_C) / 10.0))


def _acid(vat: Vat, seed: int, room: Room, *, dilutions: dict[float, float] | None = None) -> Truth:
    drawn = draw_vat(vat, Noise(seed))
    run = course(drawn, room, hours=HOURS, start_hour=10.0, step_s=300.0, dilutions=dilutions)
    every = slice(0, 2 * round(HOURS / STEP_H), 2)
    return Truth(_grid(), run.ph[every], run.temperature_c[every])


def acid_wild(seed: int) -> Truth:
    """Draw a vat without starter, in a room that hardly swings."""
    return _acid(WILD, seed, _room(np.random.default_rng(seed), mean_c=(18.0, 23.0), swing_c=(0.0, 3.0)))


def acid_starter(seed: int) -> Truth:
    """Draw a vat with starter."""
    return _acid(STARTER, seed, _room(np.random.default_rng(seed), mean_c=(18.0, 23.0), swing_c=(0.0, 3.0)))


def acid_cool(seed: int) -> Truth:
    """Draw a starter vat in a cellar."""
    return _acid(STARTER, seed, _room(np.random.default_rng(seed), mean_c=(14.0, 17.0), swing_c=(0.0, 4.0)))


def acid_swing(seed: int) -> Truth:
    """Draw a vat in a room that swings widely from day to night."""
    return _acid(WILD, seed, _room(np.random.default_rng(seed), mean_c=(18.0, 23.0), swing_c=(10.0, 20.0)))


def gompertz(seed: int) -> Truth:
    """Draw a modified Gompertz curve of pH, warmth by the square root law."""
    rng = np.random.default_rng(seed)
    warm = _temperature(rng, _room(rng, mean_c=(17.0, 24.0), swing_c=(0.0, 8.0)))
    hours = _paced(((warm + 3.0) / 23.0) ** 2)
    start, end = rng.uniform(5.6, 6.3), rng.uniform(3.3, 3.95)
    fall, steepest, lag = start - end, _logarithmic(rng, 0.025, 0.16), rng.uniform(5.0, 45.0)
    ph = start - fall * np.exp(-np.exp(steepest * np.e / fall * (lag - hours) + 1.0))
    return Truth(_grid(), ph, warm)


def double_gompertz(seed: int) -> Truth:
    """Draw two Gompertz falls, the second later and slower: one kind of bacteria takes over from another."""
    rng = np.random.default_rng(seed)
    warm = _temperature(rng, _room(rng, mean_c=(16.0, 24.0), swing_c=(0.0, 12.0)))
    hours = _paced(((warm + 2.0) / 22.0) ** 2)
    start, end, share = rng.uniform(5.6, 6.3), rng.uniform(3.2, 3.9), rng.uniform(0.3, 0.7)
    lag = rng.uniform(4.0, 40.0)
    falls = (share * (start - end), (1.0 - share) * (start - end))
    lags, steepest = (lag, lag + rng.uniform(8.0, 40.0)), (_logarithmic(rng, 0.03, 0.15), _logarithmic(rng, 0.02, 0.08))
    parts = [
        fall * np.exp(-np.exp(rate * np.e / fall * (begin - hours) + 1.0))
        for fall, rate, begin in zip(falls, steepest, lags, strict=True)
    ]
    return Truth(_grid(), start - parts[0] - parts[1], warm)


def weibull(seed: int) -> Truth:
    """Draw a Weibull fall: of first order without a lag up to a steep one after a long lag."""
    rng = np.random.default_rng(seed)
    warm = _temperature(rng, _room(rng, mean_c=(17.0, 24.0), swing_c=(0.0, 8.0)))
    hours = _paced(_arrhenius(warm, rng.uniform(50.0, 90.0)))
    start, end = rng.uniform(5.5, 6.3), rng.uniform(3.3, 3.9)
    return Truth(
        _grid(), end + (start - end) * np.exp(-((hours / rng.uniform(30.0, 90.0)) ** _logarithmic(rng, 1.0, 4.0))), warm
    )


def arctangent(seed: int) -> Truth:
    """Draw an arctangent of time, which slows for days; tenfold warmth 2 to 3.5 times as fast."""
    rng = np.random.default_rng(seed)
    warm = _temperature(rng, _room(rng, mean_c=(17.0, 24.0), swing_c=(0.0, 8.0)))
    hours = _paced(_q10(warm, rng.uniform(2.0, 3.5)))
    start, end = rng.uniform(5.5, 6.3), rng.uniform(3.0, 3.8)
    middle, wide = rng.uniform(20.0, 70.0), _logarithmic(rng, 4.0, 16.0)
    y = np.arctan((hours - middle) / wide)
    return Truth(_grid(), start - (start - end) * (y - y[0]) / (np.pi / 2.0 - y[0]), warm)


def troubled(seed: int) -> Truth:
    """Draw a vat that may never come down: far too much salt, hardly any sugar, or a cold room."""
    rng = np.random.default_rng(seed)
    trouble = seed % 3
    vat = replace(WILD, salt_percent=float(rng.uniform(7.0, 11.0))) if trouble == 0 else WILD
    vat = replace(vat, sugar_mm=float(rng.uniform(8.0, 45.0))) if trouble == 1 else vat
    mean_c = (5.0, 11.0) if trouble == 2 else (18.0, 22.0)
    return _acid(vat, seed, _room(rng, mean_c=mean_c, swing_c=(0.0, 4.0)))


def richards(seed: int) -> Truth:
    """Draw a Richards curve, lopsided either way; some pause half-way; warmth by Arrhenius, 71 to 89 kJ/mol."""
    rng = np.random.default_rng(seed)
    warm = _temperature(rng, _room(rng, mean_c=(16.0, 24.0), swing_c=(0.0, 10.0)))
    pace = _arrhenius(warm, rng.uniform(71.0, 89.0))
    start, end = rng.uniform(5.6, 6.3), rng.uniform(3.3, 3.95)
    k, middle, lopsided = rng.uniform(0.06, 0.25), rng.uniform(25.0, 80.0), _logarithmic(rng, 0.3, 3.0)
    pauses, pause_at, pause_pace = rng.random() < 0.3, rng.uniform(4.75, 5.1), rng.uniform(0.3, 0.8)
    y, x = [], 0.0
    begin = (1.0 + np.exp(k * middle)) ** (-1.0 / lopsided)
    for each in pace.tolist():
        part = ((1.0 + np.exp(-k * (x - middle))) ** (-1.0 / lopsided) - begin) / (1.0 - begin)
        ph = start - (start - end) * part
        y.append(ph)
        x += each * STEP_H * (pause_pace if pauses and abs(ph - pause_at) < 0.12 else 1.0)
    return Truth(_grid(), np.array(y), warm)


def two_stages(seed: int) -> Truth:
    """Draw two falls, each of first order after its own lag; tenfold warmth 2.8 times as fast."""
    rng = np.random.default_rng(seed)
    warm = _temperature(rng, _room(rng, mean_c=(17.0, 24.0), swing_c=(0.0, 8.0)))
    hours = _paced(_q10(warm, 2.8))
    start, end, share = rng.uniform(5.6, 6.3), rng.uniform(3.3, 3.9), rng.uniform(0.3, 0.8)
    lag = rng.uniform(8.0, 45.0)
    lags, rates = (lag, lag + rng.uniform(5.0, 30.0)), (_logarithmic(rng, 0.05, 0.2), _logarithmic(rng, 0.02, 0.08))
    left = [np.exp(-rate * np.maximum(hours - begin, 0.0)) for begin, rate in zip(lags, rates, strict=True)]
    return Truth(_grid(), end + (start - end) * (share * left[0] + (1.0 - share) * left[1]), warm)


def rational(seed: int) -> Truth:
    """Draw pH as a rational function of time, as fitted to sour tea; tenfold warmth 2 to 4 times as fast."""
    rng = np.random.default_rng(seed)
    warm = _temperature(rng, _room(rng, mean_c=(18.0, 25.0), swing_c=(0.0, 8.0)))
    hours = _paced(_q10(warm, rng.uniform(2.0, 4.0)))
    start, end = rng.uniform(5.4, 6.2), rng.uniform(3.0, 3.8)
    half, power = rng.uniform(30.0, 90.0), _logarithmic(rng, 1.2, 5.0)
    return Truth(_grid(), end + (start - end) / (1.0 + (hours / half) ** power), warm)


def _cardinal(temperature_c: float, low: float, best: float, high: float) -> float:
    """Return the rate relative to the best temperature (the cardinal temperature model of Rosso and others, 1993)."""
    if not low < temperature_c < high:
        return 0.0
    above = (temperature_c - high) * (temperature_c - low) ** 2
    near = (best - low) * (temperature_c - best) - (best - high) * (best + low - 2.0 * temperature_c)
    return float(above / ((best - low) * near))


def luedeking(seed: int) -> Truth:
    """Draw one kind of bacteria: Monod, inhibition by undissociated acid, acid by Luedeking and Piret, plain buffer."""
    rng = np.random.default_rng(seed)
    warm = _temperature(rng, _room(rng, mean_c=(18.0, 25.0), swing_c=(0.0, 8.0)))
    low, best, high = rng.uniform(2.0, 8.0), rng.uniform(32.0, 36.0), rng.uniform(44.0, 48.0)
    rate, cells, lag = rng.uniform(0.35, 0.7), 10.0 ** rng.uniform(3.6, 5.4) * 1e-9, rng.uniform(2.0, 8.0)
    grown_mm, kept_mm, buffer_mm = rng.uniform(25.0, 60.0), rng.uniform(1.0, 3.0), rng.uniform(22.0, 55.0)
    ph, acid, sugar, ready = float(rng.uniform(5.6, 6.3)), 0.0, rng.uniform(90.0, 220.0), 0.0
    y = []
    for temperature_c in warm.tolist():
        y.append(ph)
        at_warmth = _cardinal(temperature_c, low, best, high)
        whole = 1.0 / (1.0 + 10.0 ** (ph - 3.86))
        free = max(1.0 - acid * whole / UNDISSOCIATED_LIMIT_MM, 0.0) * sugar / (sugar + 5.0)
        ready += rate * at_warmth * STEP_H
        new = cells * min(rate * at_warmth * free * (1.0 if ready > lag * 0.6 else 0.1) * STEP_H, 1.0)
        cells = min(cells + new, 1.0)
        made = min(grown_mm * new + kept_mm * cells * at_warmth * free * STEP_H, sugar)
        ph -= made * (1.0 - whole) / (buffer_mm + 2.303 * acid * whole * (1.0 - whole))
        acid, sugar = acid + made, sugar - made
    return Truth(_grid(), np.array(y), warm)


def disturbed(seed: int) -> Truth:
    """Draw a starter vat of much salt whose heater fails for hours, or that is topped up with brine."""
    rng = np.random.default_rng(seed)
    start_h = float(rng.uniform(15.0, 60.0))
    failure = HeaterFailure(start_h=start_h, end_h=start_h + float(rng.uniform(6.0, 16.0)), drop_c=8.0, tau_h=2.0)
    room = replace(_room(rng, mean_c=(20.0, 24.0), swing_c=(0.0, 6.0)), failures=(failure,))
    vat = replace(STARTER, salt_percent=float(rng.uniform(3.0, 5.5)))
    topped_up = {float(rng.uniform(20.0, 70.0)): float(rng.uniform(0.03, 0.1))} if seed % 2 else None
    return _acid(vat, seed, room, dilutions=topped_up)


def stopping(seed: int) -> Truth:
    """Draw a fall that may end above the target: an exponential that runs into a floor, in a room that cools."""
    rng = np.random.default_rng(seed)
    room = replace(_room(rng, mean_c=(18.0, 22.0), swing_c=(0.0, 4.0)), failures=())
    warm = _temperature(rng, room) - np.linspace(0.0, float(rng.uniform(0.0, 8.0)), len(_grid()))
    hours = _paced(_q10(warm, 2.8))
    start, end = rng.uniform(5.6, 6.2), rng.uniform(4.3, 5.3)
    lag, rate = rng.uniform(10.0, 50.0), _logarithmic(rng, 0.02, 0.12)
    soft = np.log1p(np.exp((hours - lag) / 3.0)) * 3.0
    return Truth(_grid(), end + (start - end) * np.exp(-rate * soft), warm)


Family = Callable[[int], Truth]
