"""The simulator's named runs as replays judged by the example's alarms: what each must raise, and what it does."""

import io
from pathlib import Path
from tempfile import TemporaryDirectory

from logger import recording, replay, settings
from logger.model import Command, CommandKind
from logger.watch.pipeline import Watch
from tests.parts.daemon import Vat, record

EXAMPLE = Path(__file__).parents[2] / "config_examples" / "simulator.toml"
RISEN_H = 33.9
"""The true pH of that run is 0.1 above its lowest."""
STALLED_H = 16.7
"""The true pH of that run falls by less than 0.006 an hour from then on."""
CHECKED_H = 48.0
"""The person of the runs calibrates a day before they begin, and never checks: three days are over."""
FAULTS: dict[str, dict[str, float]] = {
    "quiet-night": {},
    "probe-out": {"trust-lost": 3.0, "temperature-low": 3.0},
    "long-foam": {"no-data": 3.267, "trust-doubted": 5.367, "trust-lost": 5.367, "temperature-low": 5.367},
    "probe-knocked": {"trust-lost": 3.0},
    "unplugged": {"no-data": 2.0},
    "frozen": {"blind": 2.0, "trust-lost": 6.0},
    "cold-night": {"temperature-low": 1.5},
    "normal-night": {},
    "ph-rise": {"rise": RISEN_H, "check-overdue": CHECKED_H},
    "stuck-vat": {"slow-start": 66.0, "deadline-warning": 72.0, "no-start": 84.0, "check-overdue": CHECKED_H},
    "stalled-vat": {"stall": STALLED_H},
    "demo-night": {"no-data": 3.267, "trust-lost": 11.433},
    "garbled": {"no-data": 2.0},
    "slow": {"no-data": 2.0},
    "sensor-faults": {"trust-doubted": 2.0, "blind": 2.0, "no-data": 4.0},
    "topped-up": {},
    "stirred": {},
}
"""By run the alarms that must be raised, with the hour in which their cause begins; no other may be.

Air is colder than 16 C, and once trust is lost an alarm on the vat still comes once, not confirmed. A frozen reading
that lives again has missed the fall of 4 h: trust is lost by that jump."""
BESIDE: dict[str, set[str]] = {"probe-out": {"trust-doubted", "ph-high"}}
"""What may be raised in a run besides, by its seed: the film of brine on a lifted probe strays."""
LONG = ("stuck-vat", "stalled-vat")
"""Days that are polled once a minute and judged by the alarms of a profile."""
PROFILED = """\
[store]
path = "none.sqlite"
[probe.marrow-probe]
port = "/dev/null"
poll_s = 60
[vat.marrow]
probe = "marrow-probe"
profile = "{profile}"
"""


def example() -> Watch:
    """Return the watch of the simulator's example."""
    config = settings.load(EXAMPLE, environ={})
    return Watch(vat=config.vats[0], probe=config.probes[0])


def profiled(profile: str = "lactic-vegetables") -> Watch:
    """Return a watch with no alarms but those of a profile, polled once a minute."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "vatvigil.toml"
        path.write_text(PROFILED.format(profile=profile), encoding="utf-8")
        config = settings.load(path, environ={})
    return Watch(vat=config.vats[0], probe=config.probes[0])


def raised(run: str, seed: int, *, silent: bool = False) -> list[tuple[str, float]]:
    """Return which alarms annunciate in a run, each with its hour; `silent`: nobody marks what is done there.

    That a vat at its target wants to be confirmed is no fault of a night.
    """
    watch = profiled() if run in LONG else example()
    made = record(Vat(run=run, seed=seed), "--poll", f"{watch.probe.poll_s:g}")
    _, read = recording.read(io.BytesIO(made), name=run)
    items = [item for item in read if not (silent and isinstance(item, Command) and item.kind is CommandKind.MARK)]
    entries = [entry for outcome in replay.replay(watch, items) for entry in outcome.entries]
    begun = entries[0].at_us
    told = [entry for entry in entries if entry.annunciates and entry.alarm != "unconfirmed"]
    return [(entry.alarm, (entry.at_us - begun) / 3.6e9) for entry in told]
