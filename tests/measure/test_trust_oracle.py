"""Trust is what a plain reading of its rules gives, window by window."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.measure.liveness import Periods
from logger.measure.trust import Around, TrustRun
from logger.measure.trust_windows import ClosedWindows
from logger.model import TrustState
from logger.structs import replace
from tests.examples import examples
from tests.measure.trust_oracle import Window, judged
from tests.measure.trust_series import LENGTH_US, windows
from tests.series import calibration

KINDS = ("calm", "step", "step", "slide", "cold", "air", "noisy", "loose", "scattered", "no-thermometer", "agrees")
stretch = st.tuples(
    st.sampled_from(KINDS),
    st.integers(1, 40),
    st.sampled_from((-1.2, -0.5, -0.33, -0.28, 0.2, 0.27, 0.33, 0.5, 1.2)),
    st.sampled_from((0, 0, 0, 0, 3, 12, 96, 288)),
)
back = st.tuples(
    st.sampled_from(("back", "back", "half-back")), st.sampled_from((3, 13, 13, 30, 60, 200)), st.just(0.2), st.just(0)
)
visit = st.one_of(
    st.tuples(stretch), st.tuples(stretch, back), st.tuples(stretch, back), st.tuples(stretch, stretch, back)
)
"""What happens to a probe, and mostly its way back."""


def made(parts: list[tuple[str, int, float, int]], seed: int) -> tuple[ClosedWindows, list[Window]]:
    """Return the same windows as the code sees them and as a person would note them."""
    rng = np.random.default_rng(seed)
    notes: list[Window] = []
    number, ph, warm = 0, 4.8, 20.0
    for kind, count, size, gap in parts:
        number += gap
        ph = {"back": 4.8, "half-back": (ph + 4.8) / 2.0, "step": ph + size}.get(kind, ph)
        warm = {"back": 20.0, "cold": warm - 4.0, "air": warm - 4.0}.get(kind, warm)
        for _ in range(count):
            ph += 0.05 * size * (kind == "slide")
            notes.append(
                Window(
                    number=number,
                    ph=round(ph + rng.normal(0, 0.01), 4),
                    warm_c=round(warm + rng.normal(0, 0.1), 2),
                    noise_mv=round(abs(rng.normal(0.5, 0.05)) * (4.0 if kind in ("noisy", "air") else 1.0), 3),
                    spread_mv=60.0 if kind == "scattered" else 0.5,
                    outliers=int(rng.integers(1, 4)) if kind == "loose" else 0,
                    agrees=kind == "agrees",
                    is_warm=kind != "no-thermometer",
                )
            )
            number += 1
    if notes:
        notes[0] = replace(notes[0], is_warm=True)
    return _closed(notes), _held(notes)


def _held(notes: list[Window]) -> list[Window]:
    """Return them with the temperature before where the thermometer tells none."""
    held: list[Window] = []
    for note in notes:
        held.append(note if note.is_warm else replace(note, warm_c=held[-1].warm_c))
    return held


def _closed(notes: list[Window]) -> ClosedWindows:
    held = _held(notes)
    closed = windows(
        [one.ph for one in held],
        [one.warm_c for one in held],
        numbers=[one.number for one in held],
        noise_mv=[one.noise_mv for one in held],
        spread_mv=[one.spread_mv for one in held],
        outliers=[one.outliers for one in held],
        agrees=[int(one.agrees) for one in held],
    )
    warm = np.array([int(one.is_warm) for one in held])
    return replace(closed, warm=warm, temperature_c=np.where(warm == 1, closed.temperature_c, np.nan))


def by_code(closed: ClosedWindows, *, unsettled_us: tuple[int, int] | None) -> list[tuple[str, str]]:
    """Return what the code says after each window."""
    run = TrustRun(Around(line=calibration(), length_us=LENGTH_US, unsettled_us=unsettled_us), TrustState())
    run.follow(closed, Periods.none(), Periods.none())
    told, turns = [], dict(run.turns)
    state = TrustState()
    for row in range(len(closed)):
        state = turns.get(row, state)
        cause = state.loss.cause.value if state.loss else state.doubt.cause.value if state.doubt else ""
        told.append((state.level.value, cause))
    return told


@settings(max_examples=examples(60))
@given(visits=st.lists(visit, min_size=1, max_size=5), seed=st.integers(0, 1000), marked=st.booleans())
def test_trust_is_what_a_plain_reading_of_its_rules_gives(
    visits: list[tuple[tuple[str, int, float, int], ...]], seed: int, *, marked: bool
) -> None:
    closed, notes = made([("calm", 40, 0.2, 0), *(part for parts in visits for part in parts)], seed)
    unsettled_h = (3.0, 5.0) if marked else None
    unsettled_us = (3 * 3_600_000_000, 5 * 3_600_000_000) if marked else None
    expected = judged(notes, unsettled_h=unsettled_h)
    told = by_code(closed, unsettled_us=unsettled_us)
    differ = [at for at, (one, other) in enumerate(zip(expected, told, strict=True)) if one != other]
    assert not differ, (differ[0], expected[differ[0]], told[differ[0]])
