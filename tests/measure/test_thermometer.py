"""A thermometer's own fault is told from a temperature of the vat. Limits: common practice, no source."""

from itertools import pairwise

import numpy as np
import pytest

from logger.config import QualityLimits
from logger.measure import thermometer
from logger.measure.thermometer import Thermometry
from logger.model import QualityTests, ThermometerState
from logger.model.elementwise import column
from logger.model.thermometer import fault_words
from logger.units import HOUR_US, SECOND_US

LIMITS = QualityLimits()
POLL_US = 60 * SECOND_US
CELLAR = [15.0, 15.1, 15.0]


def judged(
    read: list[float],
    *,
    poll_us: int = POLL_US,
    state: ThermometerState | None = None,
    cuts: tuple[int, ...] = (),
    fresh_us: int = 0,
    is_compensated: bool = False,
) -> Thermometry:
    """Judge readings, one a poll, from nothing."""
    state, parts = state or ThermometerState(), []
    for begin, end in pairwise((0, *cuts, len(read))):
        part = thermometer.judge(
            state,
            LIMITS,
            elapsed_us=np.arange(begin, end) * poll_us,
            temperature_c=np.array(read[begin:end]),
            fresh_us=fresh_us,
            is_compensated=is_compensated,
        )
        state = part.state
        parts.append(part)
    names = ("warm_c", "doubt_c", "tests")
    columns = {name: np.concatenate([column(getattr(part, name)) for part in parts]) for name in names}
    return Thermometry(state=state, **columns)


def spoken(read: list[float], **more: int) -> list[bool]:
    return [each == QualityTests.THERMOMETER for each in judged(read, **more).tests]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "fault",
    [85.0, 0.0, -127.0, -5.1, 60.1, 59.0, 150.0, 1500.0, 1.5, 0.15],
    ids=["85", "0", "-127", "too cold", "too hot", "Fahrenheit", "tenths", "hundredths", "a tenth", "a hundredth"],
)
def test_a_fault_that_stays_is_named_after_three_polls_and_until_as_many_good_ones_came(fault: float) -> None:
    assert not judged([*CELLAR, fault, fault]).state.is_faulty
    named = judged([*CELLAR, *[fault] * 40])
    assert named.state.is_faulty
    assert (named.state.good_c, named.state.odd_c) == (15.0, fault)
    assert (named.tests[3:] == QualityTests.THERMOMETER).all()
    assert judged([*CELLAR, *[fault] * 3, *[15.0] * 5]).state.is_faulty
    assert not judged([*CELLAR, *[fault] * 3, *[15.0] * 6]).state.is_faulty


def test_ph_is_computed_by_the_last_good_temperature_with_a_growing_doubt_and_then_by_none() -> None:
    held = judged([*CELLAR, *[85.0] * 200])
    assert held.warm_c[3:123].tolist() == [15.0] * 120  # two hours after the good one
    assert np.isnan(held.warm_c[123:]).all()
    assert held.doubt_c[2 + 60] == pytest.approx(1.5)  # what a vat can change in an hour, `witness_rate_c_per_h`
    assert (np.diff(held.doubt_c[2:123]) > 0).all()
    assert held.doubt_c[:3].tolist() == [0.0] * 3


def test_a_single_strange_reading_is_not_computed_by_and_names_nothing() -> None:
    once = judged([*CELLAR, 0.0, *CELLAR])
    assert once.tests.tolist() == [0, 0, 0, QualityTests.THERMOMETER, 0, 0, 0]
    assert once.warm_c[3] == 15.0
    assert not judged([*CELLAR, 0.0]).state.is_faulty


@pytest.mark.parametrize(
    "read",
    [
        [15.0, 11.0, 11.0, 11.2],
        [15.0, 11.0, 15.0, 11.0],
        [4.0, 0.0, 0.0, 0.0],
        [15.0, np.nan, np.nan, 15.1],
        [-4.9, -4.8],
        [59.9, 60.0],
    ],
    ids=["a cold top-up", "the same to and fro", "a cellar that freezes", "nothing", "cold", "hot"],
)
def test_what_a_vat_can_have_is_taken_as_it_is(read: list[float]) -> None:
    made = judged(read)
    np.testing.assert_array_equal(made.warm_c, np.array(read))
    assert not made.tests.any()


def test_a_step_that_stays_is_a_true_one() -> None:
    assert spoken([*CELLAR, 22.0, 22.1, 22.1, 22.0]) == [False] * 3 + [True, True, False, False]
    assert not judged([*CELLAR, 22.0, 22.1, 22.1]).state.is_faulty


def test_jumps_to_and_fro_are_the_thermometers() -> None:
    made = judged([*CELLAR, *[23.0, 15.0] * 4])
    assert made.state.is_faulty
    assert made.state.good_c == 15.0
    assert made.warm_c[3:].tolist() == [15.0] * 8


def test_another_unit_stays_that_while_the_vat_cools() -> None:
    cooling = [1.8 * (15.0 - 0.02 * n) + 32.0 for n in range(300)]  # 6 C in five hours
    assert spoken([*CELLAR, *cooling]) == [False] * 3 + [True] * 300


def test_over_a_gap_and_after_work_a_step_alone_tells_nothing_and_a_known_fault_does() -> None:
    hour = HOUR_US
    assert spoken([15.0, 22.0], poll_us=hour) == [False, False]
    assert spoken([15.0, 85.0], poll_us=hour) == [False, True]
    before = ThermometerState(good_c=15.0, good_us=-POLL_US)
    assert judged([22.0], state=before).tests.tolist() == [0]  # fresh since 0
    assert judged([22.0], state=before, fresh_us=-POLL_US).tests.tolist() == [QualityTests.THERMOMETER]


def test_a_good_temperature_after_hours_of_fault_is_good_at_once_wherever_it_is() -> None:
    made = judged([*CELLAR, *[85.0] * 300, 9.0, 9.1])
    assert made.warm_c[-2:].tolist() == [9.0, 9.1]
    assert made.tests[-2:].tolist() == [0, 0]


def test_a_fault_from_the_first_reading_on_leaves_no_temperature() -> None:
    assert np.isnan(judged([85.0, 85.0]).warm_c).all()


def test_a_probe_that_compensated_by_it_keeps_it_and_doubts_the_distance() -> None:
    made = judged([*CELLAR, 25.0], is_compensated=True)
    assert (made.warm_c[-1], made.doubt_c[-1]) == (25.0, 10.0)


@pytest.mark.parametrize("is_in_vat", [True, False])
def test_by_the_absolute_zero_nothing_is_computed(*, is_in_vat: bool) -> None:
    read = [*CELLAR, -273.15]
    made = judged(read, is_compensated=True) if is_in_vat else thermometer.unjudged(ThermometerState(), np.array(read))
    assert np.isnan(made.warm_c).tolist() == [False, False, False, True]


def test_however_it_is_cut_the_outcome_is_the_same() -> None:
    rng = np.random.default_rng(5)
    values = [15.0, 15.2, 85.0, 0.0, 59.1, 23.0, 9.0, np.nan, -127.0, 1.5]
    for _ in range(200):
        read = [float(value) for value in np.repeat(rng.choice(values, 12), rng.integers(1, 8, 12))]
        whole = judged(read)
        cut = judged(read, cuts=tuple(range(1, len(read))))
        assert whole.state == cut.state
        for name in ("warm_c", "doubt_c", "tests"):
            np.testing.assert_array_equal(getattr(whole, name), getattr(cut, name))


@pytest.mark.parametrize(
    ("celsius", "words"),
    [
        (85.0, "the thermometer reads 85.0 C, a value that it shows when it is not connected: look at its plug"),
        (150.0, "the thermometer reads 150.0 C, which no vat has: look at its plug and its unit"),
        (59.0, "the thermometer reads 59.0 C, which cannot follow from what it read before: look at its plug and its"),
    ],
)
def test_the_words_say_what_it_shows_and_where_to_look(celsius: float, words: str) -> None:
    assert fault_words(celsius).startswith(words)
