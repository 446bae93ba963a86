"""The two sets of the bench of trust are two, and a row is the same whichever others are run."""

from itertools import chain

from simulator.named_faults import DISTURBANCES, FAULTS
from tests.bench.trust_runs import run
from tests.bench.trust_sets import (
    JUDGED,
    MOULD,
    NONE,
    TOLD_BY_THEMSELVES,
    TUNING,
    Case,
    TrustSet,
    chosen_only,
    claim_cases,
    disturbances,
    fault_cases,
    faults,
    night_cases,
    rise_cases,
)


def test_the_sets_share_no_seed_and_no_place() -> None:
    tuning, judged = every_case(TUNING), every_case(JUDGED)
    assert not {case.seed for case in tuning} & {case.seed for case in judged}
    assert not any(case.place == other for case in tuning for other in {*JUDGED.falling, *JUDGED.sour})


def test_every_fault_and_every_disturbance_is_in_both_sets() -> None:
    for chosen in (TUNING, JUDGED):
        assert {cause.name for cause in faults(chosen)} == {"none", *FAULTS} - set(TOLD_BY_THEMSELVES)
        assert {cause.name for cause in disturbances(chosen)} == {"none", *DISTURBANCES} - {MOULD}


def test_the_judged_set_has_smaller_and_larger_sizes() -> None:
    assert {cause.label for cause in faults(JUDGED)} >= {"offset:15", "offset:40", "foam:0.15", "foam:0.4"}
    assert len({cause.section for cause in faults(TUNING)}) == 1


def test_a_row_is_the_same_whichever_others_are_run() -> None:
    alone = chosen_only(fault_cases(TUNING, 2), ("dry-junction",))
    beside = [case for case in fault_cases(TUNING, 3) if case in alone]
    assert [case for case in beside if case.cause != NONE] == [case for case in alone if case.cause.name != NONE.name]


def test_an_offset_in_a_sour_vat_is_told_and_a_vat_without_a_fault_tells_nothing() -> None:
    chosen = chosen_only(fault_cases(TUNING, 1), ("offset:25",))
    true, shifted = (run(case) for case in chosen if case.course == "sour")
    assert (true.wrong_h, true.told) == (0.0, ())
    assert shifted.word_h < 1.0


def every_case(chosen: TrustSet) -> list[Case]:
    tables = (fault_cases(chosen, 7), night_cases(chosen, 32, 1024), rise_cases(chosen, 7), claim_cases(chosen, 7))
    return list(chain.from_iterable(tables))
