"""Runs with named faults and disturbances added, as the options of the simulator add them."""

from logger.structs import replace
from simulator.named_faults import FAULTS, disturbance, fault
from simulator.runs import MARROW, Run

SOURING = replace(
    MARROW,
    age_h=0.0,
    early=replace(MARROW.early, log10_cfu_ml=7.8, work_h0=0.1),
    late=replace(MARROW.late, work_h0=0.1),
)
"""Sours from its filling on, so that little need be computed before."""
STILL = replace(MARROW, age_h=0.0, ph_start=3.9, salt_percent=12.0)
"""Too salt for anything to grow: its pH stays."""


def with_effects(run: Run, *texts: str) -> Run:
    """Return the run with what texts such as `offset@3:25` or `mains-hum` say."""
    faults = [text for text in texts if text.partition("@")[0].partition(":")[0] in FAULTS]
    others = [text for text in texts if text not in faults]
    return replace(run, faults=tuple(map(fault, faults)), disturbances=tuple(map(disturbance, others)))
