"""Is the probe in the liquid, and has it one value: just inside and just outside of each limit.

Limits: common practice, no source; the spreads of normal noise: 1 / 0.6745 (GUM's normal quantile at 0.75).
"""

from dataclasses import replace

import numpy as np
import pytest

from logger.config import QualityLimits
from logger.measure.immersion import MAD_TO_SD, STEP_TO_SD, detect, window_us
from logger.model import Floats, ImmersionState, Ints
from logger.model import QualityTests as Against

LIMITS = QualityLimits()
LENGTH_US = 300_000_000
N = 30
"""Records of 10 s in a window."""


def calm(c: float, windows: int = 1) -> tuple[Floats, Floats]:
    return np.full(N * windows, 100.0), np.full(N * windows, c)


def noisy(windows: int = 1, *, sd_mv: float = 6.0, c: float = 20.0) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(1)
    return 100.0 + rng.normal(0, sd_mv, N * windows), np.full(N * windows, c)


def said(
    *parts: tuple[Floats, Floats], state: ImmersionState | None = None, limits: QualityLimits = LIMITS
) -> list[Against]:
    """Return what is said at the record that closes each window."""
    mv, c = (np.concatenate(columns) for columns in zip(*parts, calm(20.0), strict=True))
    _, tests = heard(mv, c, state=state, limits=limits)
    return [Against(int(each)) for each in tests[N::N]]


def heard(
    mv: Floats, c: Floats, *, state: ImmersionState | None = None, limits: QualityLimits = LIMITS
) -> tuple[ImmersionState, Ints]:
    elapsed = np.arange(len(mv)) * 10_000_000
    return detect(
        state or ImmersionState(),
        limits,
        elapsed_us=elapsed,
        potential_mv=mv,
        temperature_c=c,
        first=0,
        length_us=LENGTH_US,
    )


def test_a_calm_vat_says_nothing() -> None:
    assert said(calm(20.0, 3)) == [Against.NONE] * 3


@pytest.mark.parametrize(("to_c", "out"), [(20.124, False), (20.126, True), (19.876, False), (19.874, True)])
def test_a_temperature_that_moves_faster_than_a_vat_with_a_noisy_potential_is_air(to_c: float, *, out: bool) -> None:
    # 1.5 C/h over windows of 300 s is 0.125 C.
    expected = Against.OUT_OF_LIQUID if out else Against.NONE
    assert said(calm(20.0), noisy(sd_mv=4.0, c=to_c))[-1] == expected


def test_one_witness_does_not_begin_it() -> None:
    assert said(calm(20.0), calm(16.0))[-1] == Against.NONE
    assert said(calm(20.0), noisy(sd_mv=4.0))[-1] == Against.NONE
    swing = (calm(20.0)[0], 20.0 + 0.3 * np.sign(np.sin(np.arange(N) + 0.5)))
    assert said(calm(20.0), swing)[-1] == Against.NONE


def test_one_witness_keeps_it_and_none_ends_it() -> None:
    lifted = (noisy(sd_mv=4.0, c=16.0), noisy(sd_mv=4.0, c=16.0))
    air, back = Against.OUT_OF_LIQUID, Against.NONE
    assert said(calm(20.0), *lifted, calm(20.0), calm(20.0)) == [back, air, air, air, back]


def test_potentials_far_apart_are_erratic_but_not_what_a_third_of_spikes_does() -> None:
    mv, c = noisy(sd_mv=20.0)
    assert said((mv, c)) == [Against.ERRATIC]
    spiked = calm(20.0)[0] + 24.0 * (np.arange(N) % 3 == 0)
    assert said((spiked, c)) == [Against.NONE]


def test_in_air_nothing_is_called_erratic_too() -> None:
    assert said(calm(20.0), noisy(sd_mv=30.0, c=16.0))[-1] == Against.OUT_OF_LIQUID


def test_a_window_of_too_few_values_changes_nothing() -> None:
    nothing = (np.full(N, np.nan), np.full(N, np.nan))
    nothing[0][:2], nothing[1][:2] = 100.0, 20.0
    lifted = noisy(sd_mv=4.0, c=16.0)
    assert said(calm(20.0), lifted, nothing, calm(20.0))[1:3] == [Against.OUT_OF_LIQUID] * 2


def test_a_gap_counts_into_the_rate() -> None:
    # 0.2 C from one window to the next is 2.4 C/h, over two windows 1.2 C/h.
    nothing = (np.full(N, np.nan), np.full(N, np.nan))
    restless = noisy(sd_mv=4.0, c=20.2)
    assert said(calm(20.0), restless)[-1] == Against.OUT_OF_LIQUID
    assert said(calm(20.0), nothing, restless)[-1] == Against.NONE


def test_what_came_before_a_mark_says_nothing() -> None:
    mv, c = (np.concatenate(columns) for columns in zip(noisy(2, sd_mv=30.0), calm(20.0), strict=True))
    state, tests = heard(mv, c, state=ImmersionState(fresh_us=2 * LENGTH_US))
    assert (set(tests.tolist()), state) == ({Against.UNWITNESSED}, ImmersionState(fresh_us=2 * LENGTH_US))


def test_the_spread_of_normal_noise_is_its_standard_deviation() -> None:
    z = np.random.default_rng(7).normal(0, 2.0, 100_001)
    assert MAD_TO_SD * np.median(np.abs(z - np.median(z))) == pytest.approx(2.0, rel=0.01)
    assert STEP_TO_SD * np.median(np.abs(np.diff(z))) == pytest.approx(2.0, rel=0.01)


@pytest.mark.parametrize(("poll_s", "seconds"), [(10.0, 300), (60.0, 300), (61.0, 305), (600.0, 3000)])
def test_a_window_holds_five_polls_at_least(poll_s: float, seconds: int) -> None:
    assert window_us(LIMITS, poll_s=poll_s) == seconds * 1_000_000


def test_limits_can_be_tuned() -> None:
    wide = replace(LIMITS, erratic_spread_mv=50.0, witness_noise_mv=100.0)
    assert said(noisy(sd_mv=20.0), limits=wide) == [Against.NONE]
