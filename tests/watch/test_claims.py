"""Does a claim at 95 % come too early in 5 % or less? By simulation (JCGM 101); more: tests/bench/bench_claims.py."""

from scipy import stats

from tests.parts.drifting_probes import early_share, simulate_vat


def test_early_claims_stay_within_5_percent_where_the_error_model_is_right() -> None:
    # So many of 24 that 5 % would hardly ever give more: the binomial's upper 99.9 % point (scipy.stats.binom).
    outcomes = [simulate_vat(seed, "kind") for seed in range(1, 25)]
    claims = sum(one.claim is not None for one in outcomes)
    assert claims >= 18
    assert round(early_share(outcomes, "claim") * claims) <= stats.binom.ppf(0.999, claims, 0.05)
    assert early_share(outcomes, "raw") > early_share(outcomes, "claim")
