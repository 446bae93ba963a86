"""Does a claim at 95 % come too early in 5 % or less? By simulation (JCGM 101); more: tests/bench/bench_claims.py."""

from scipy import stats

from tests.parts.claims import early, watch_one


def test_early_claims_stay_within_5_percent_where_the_error_model_is_right() -> None:
    # So many of 24 that 5 % would hardly ever give more: the binomial's upper 99.9 % point (scipy.stats.binom).
    seen = [watch_one(seed, "kind") for seed in range(1, 25)]
    claims = sum(one.claim is not None for one in seen)
    assert claims >= 18
    assert round(early(seen, "claim") * claims) <= stats.binom.ppf(0.999, claims, 0.05)
    assert early(seen, "raw") > early(seen, "claim")
