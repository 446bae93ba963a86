"""Forecasts beside what vats really did: intervals at 25, 50 and 75 % of the way, deadlines, creeping faults.

Printed by `pytest -m bench -n 0 -s tests/bench/bench_forecast.py`, and for one table in some seconds by

    .venv/bin/python -m tests.bench.bench_forecast --set tuning --vats 20 --table marks

Tables: marks, deadlines, creeping; learn prints the ratios of `logger/measure/forecast_ratios.py`. Look at the judged
set once, with the last version. Nothing is asserted but that it ran: the figures are the outcome.
"""

import argparse
import os
import time
from collections.abc import Callable, Iterator

import pytest

from logger.structs import replace
from tests.bench.forecast_doubts import creeping_table, deadline_table
from tests.bench.forecast_ours import learn, ours, states
from tests.bench.forecast_rivals import RIVALS
from tests.bench.forecast_sets import SETS, ForecastSet, vats
from tests.bench.forecast_tables import HEADER, score, table

pytestmark = [pytest.mark.bench, pytest.mark.timeout(3600)]


def marks_table(chosen: ForecastSet) -> Iterator[str]:
    """Yield the scores at parts of the way, ours by family too."""
    every = vats(chosen, chosen.families)
    yield HEADER
    for name, forecaster in {"ours": ours, **RIVALS}.items():
        yield from table(name, list(score(every, forecaster)), by_family=name == "ours")
    began, windows = time.perf_counter(), 0
    for vat in every[::10]:
        windows += sum(1 for _ in states(vat, 300))
    yield f"{1e3 * (time.perf_counter() - began) / windows:.2f} ms a window"


def learnt_table(chosen: ForecastSet) -> Iterator[str]:
    """Yield the ratios by target and part of the way; 0: the hours from a tenth of the way."""
    for limit_ph in (4.2, 4.6):
        yield f"target {limit_ph}"
        yield from (f"    {part:.2f}  {ratios}" for part, ratios in learn(chosen, limit_ph))


TABLES: dict[str, Callable[[ForecastSet], Iterator[str]]] = {
    "marks": marks_table,
    "deadlines": deadline_table,
    "creeping": creeping_table,
    "learn": learnt_table,
}
USUAL = ("marks", "deadlines", "creeping")


def lines(name: str, chosen: ForecastSet) -> Iterator[str]:
    """Yield a table below its name."""
    yield f"{name}, set {chosen.name}, {chosen.vats} vats a family"
    yield from TABLES[name](chosen)


@pytest.mark.parametrize("name", USUAL)
def test_forecast(name: str) -> None:
    chosen = SETS[os.environ.get("FORECAST_SET", "tuning")]
    print("\n".join(lines(name, replace(chosen, vats=int(os.environ.get("FORECAST_VATS", "20"))))))


def main() -> None:
    """Print the tables that were asked for."""
    parser = argparse.ArgumentParser(description="Forecasts beside what vats really did.")
    parser.add_argument("--set", default="tuning", choices=SETS)
    parser.add_argument("--vats", type=int, default=20)
    parser.add_argument("--table", default=",".join(USUAL), help=",".join(TABLES))
    said = parser.parse_args()
    for name in said.table.split(","):
        print(*lines(name, replace(SETS[said.set], vats=said.vats)), sep="\n", end="\n\n", flush=True)


if __name__ == "__main__":
    main()
