"""The simulator's named runs as replays judged by the example's alarms: what each must raise, and what it does."""

import io
from pathlib import Path

from logger import recording, replay, settings
from logger.pipeline import Watch
from tests.parts.daemon import Vat, record

EXAMPLE = Path(__file__).parents[2] / "config_examples" / "simulator.toml"
RISEN_H = 33.9
"""The true pH of that run is 0.1 above its lowest."""
FAULTS: dict[str, dict[str, float]] = {
    "quiet-night": {},
    "probe-out": {"out-of-liquid": 3.0},
    "long-foam": {"no-data": 3.267, "out-of-liquid": 5.367, "erratic": 11.433},
    "probe-knocked": {"erratic": 3.0},
    "unplugged": {"no-data": 2.0},
    "frozen": {"blind": 2.0},
    "cold-night": {"temperature-low": 1.5},
    "normal-night": {},
    "ph-rise": {"rise": RISEN_H},
}
"""By run the alarms that must be raised, with the hour in which their cause begins; no other may be."""


def raised(run: str, seed: int) -> list[tuple[str, float]]:
    """Return which alarms annunciate in a run, each with its hour."""
    config = settings.load(EXAMPLE, environ={})
    made = record(Vat(run=run, seed=seed), "--poll", "10")
    _, items = recording.read(io.BytesIO(made), name=run)
    watch = Watch(vat=config.vats[0], probe=config.probes[0])
    entries = [entry for outcome in replay.replay(watch, items) for entry in outcome.entries]
    begun = entries[0].at_us
    return [(entry.alarm, (entry.at_us - begun) / 3.6e9) for entry in entries if entry.annunciates]
