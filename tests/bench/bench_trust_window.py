"""What a closed window of trust costs in a replay: of a calm vat, and of one that is looked at window by window."""

import time
from collections.abc import Callable
from statistics import median

import numpy as np
import pytest

from logger.config import AlarmKind
from logger.measure import liveness, trust_windows
from logger.measure.trust import Around, TrustRun
from logger.measure.trust_windows import RawRows
from logger.model import Block, TrustState
from logger.watch import pipeline
from tests.series import calibrate, calibration, of_ph, raw_alarm, watch

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]
POLL_S, DAYS, ROUNDS = 10.0, 7, 5
WATCH = watch(raw_alarm(), raw_alarm(AlarmKind.TRUST_LOST, None), poll_s=POLL_S)


def week(*, is_lost: bool) -> Block:
    """Return a week of a vat; lost: after six hours the reading jumps and stays away."""
    count = round(DAYS * 86_400 / POLL_S)
    ph = 4.5 + np.random.default_rng(2).normal(0, 0.004, count)
    return of_ph((ph + 0.8 * is_lost * (np.arange(count) >= 2160)).tolist(), every_s=POLL_S)


def follow(rows: Block) -> TrustState:
    """Follow the trust over rows, and nothing else."""
    length_us = trust_windows.window_us(POLL_S)
    raw = RawRows(
        first=0,
        at_us=rows.at_us,
        elapsed_us=rows.elapsed_us,
        potential_mv=rows.potential_mv,
        temperature_c=rows.temperature_c,
        apart_ph=np.full(len(rows), np.nan),
    )
    run = TrustRun(Around(line=calibration(), length_us=length_us, unsettled_us=None), TrustState())
    span_us = liveness.period_us(length_us)
    counts = [
        liveness.count_values(raw, signal, length_us=span_us, least=1.0)
        for signal in (raw.potential_mv, raw.temperature_c)
    ]
    run.follow(trust_windows.close(raw, length_us=length_us), *counts)
    return run.state


def seconds(work: Callable[[], object]) -> float:
    """Return the median time of some rounds."""

    def once() -> float:
        begin = time.perf_counter()
        work()
        return time.perf_counter() - begin

    return median(once() for _ in range(ROUNDS))


def test_a_closed_window_of_trust() -> None:
    print(
        f"\ntrust over {DAYS} days at a poll of {POLL_S:g} s, median of {ROUNDS}; ratio of time to a replay without it"
    )
    for name, is_lost in (("calm", False), ("lost", True)):
        rows = week(is_lost=is_lost)
        assert (follow(rows).loss is not None) is is_lost
        windows = int(rows.elapsed_us[-1] // trust_windows.window_us(POLL_S))
        alone_s = seconds(lambda rows=rows: follow(rows))  # type: ignore[misc]
        whole_s = seconds(lambda rows=rows: pipeline.step(WATCH, pipeline.fresh(WATCH), rows, commands=[calibrate()]))  # type: ignore[misc]
        ratio = whole_s / (whole_s - alone_s)
        print(f"  {name}  {alone_s / windows * 1e6:6.0f} us a window, ratio {ratio:.2f}")
