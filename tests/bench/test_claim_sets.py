"""The two sets of the bench of claims are two, and their errors have the sizes that are believed."""

import numpy as np
import pytest

from logger.config import ErrorModel
from tests.bench import claim_errors
from tests.bench.claim_errors import RIGHT, Equipment, Scales
from tests.bench.claim_runs import PERSONS, Case, events, run
from tests.bench.claim_sets import JUDGED, LIMIT_PH, TUNING


def test_the_sets_share_no_seed_and_no_family() -> None:
    assert TUNING.key != JUDGED.key
    assert not set(TUNING.families.values()) & set(JUDGED.families.values())


def test_a_vat_is_the_same_whenever_it_is_drawn_and_every_family_has_its_turn() -> None:
    for chosen in (TUNING, JUDGED):
        assert {chosen.family_of(number) for number in range(4)} == set(chosen.families)
        assert np.array_equal(chosen.course(5).ph, chosen.course(5).ph)


def test_what_is_true_is_what_the_pipeline_believes() -> None:
    believed = ErrorModel()
    assert believed.junction_ph == claim_errors.JUNCTION_PH
    assert (
        believed.drift_ph_per_day,
        believed.walk_ph_per_sqrt_day,
    ) == (claim_errors.DRIFT_PH_PER_DAY, claim_errors.WALK_PH)
    assert (believed.temperature_c, believed.repeatability_mv) == (claim_errors.THERMOMETER_C, claim_errors.NOISE_MV)


def test_the_errors_of_another_instrument_have_a_part_in_common() -> None:
    # Variances add: u^2 for what all its measurements share, (0.4 u)^2 for each; of 2,000 instruments within 10 %.
    pairs = np.array([measured_twice(seed) for seed in range(2000)])
    assert np.var(pairs.mean(axis=1)) == pytest.approx(0.05**2 + (0.4 * 0.05) ** 2 / 2, rel=0.1)
    assert np.var(np.diff(pairs, axis=1)) == pytest.approx(2 * (0.4 * 0.05) ** 2, rel=0.1)


def measured_twice(seed: int) -> list[float]:
    equipment = Equipment(np.random.default_rng(seed), RIGHT)
    return [equipment.measured(LIMIT_PH, "meter", 0.05) - LIMIT_PH for _ in range(2)]


def test_one_bottle_is_wrong_by_the_same_in_every_glass() -> None:
    # Two buffers wrong by the same shift the line and leave its slope: within the noise of 0.4 mV over 2.86 pH.
    for seed in range(20):
        equipment = Equipment(np.random.default_rng(seed), Scales(one_bottle=True))
        assert equipment.calibrated(0).slope == pytest.approx(equipment.slope, abs=0.015)


def test_a_person_comes_at_his_hours_and_looks_by_day_once_there_is_something_to_ask() -> None:
    done = list(events(PERSONS["08, 20 h and asked"], phase_h=0.5, looks_from_h=24.0))
    assert [hour for hour, what in done if what == "spot"][:2] == [10.0, 22.0]  # filled at ten
    looks = [hour for hour, what in done if what == "look"]
    assert looks[0] >= 24.0
    assert all(7.0 < (hour + 10.0) % 24.0 < 22.0 for hour in looks)


def test_a_vat_far_below_its_limit_is_claimed_and_none_is_claimed_early_by_much() -> None:
    ran = [run(Case(set="tuning", number=number, person="08 and 20 h")) for number in range(4)]
    assert any(one.claim for one in ran)
    assert all(one.claim.true_ph < LIMIT_PH + 0.1 for one in ran if one.claim)
