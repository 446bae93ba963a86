"""How often a claim comes too early, by its rule: simulated vats with drifting, calibrated probes.

`kind`: what is true of drift and junction is what the pipeline believes; `harsh`: both twice as large, untold. Printed
by `pytest -m bench -n 0 -s tests/bench/bench_claims.py`; VATS from the environment (default 2,000, some ten minutes).
"""

import os
from statistics import median

import pytest

from tests.parts.drifting_probes import TRUE, VatOutcome, early_share, simulate_vat

pytestmark = [pytest.mark.bench, pytest.mark.timeout(7200)]
RULES = {"first median at the target": "raw", "reading at the target": "steady", "measured (95 %)": "claim"}


@pytest.mark.parametrize("spots", [True, False], ids=["another instrument daily", "check buffers alone"])
@pytest.mark.parametrize("case", TRUE)
def test_early_claims_by_rule(case: str, spots: bool) -> None:  # noqa: FBT001 - a parameter
    vats = int(os.environ.get("VATS", "2000"))
    outcomes = [simulate_vat(seed, case, spots=spots) for seed in range(1, vats + 1)]
    told = "another instrument daily, buffer every 48 h" if spots else "buffer every 48 h"
    print(f"\n{case}, {told}, {vats} vats:")
    for words, rule in RULES.items():
        print(f"  {words:28} {line(outcomes, rule)}")
    gone = [one for one in outcomes if one.withdrawn]
    print(f"  withdrawn when it ended       {len(gone)}")
    if case == "kind":
        assert early_share(outcomes, "claim") <= 0.05


def line(outcomes: list[VatOutcome], rule: str) -> str:
    made = [(getattr(one, rule), one.crossed_h) for one in outcomes if getattr(one, rule) is not None]
    waits = [hour - crossed for (hour, _), crossed in made if crossed is not None]
    worst = max(ph for (_, ph), _ in made)
    early = f"early {early_share(outcomes, rule):.1%}, worst true pH {worst:.2f}"
    return f"{len(made)} told, {early}, median wait {median(waits):.1f} h"
