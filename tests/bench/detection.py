"""Replays of simulated runs by the hundred: simulator and pipeline in this process, no daemon between them."""

import io
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from logger import recording, replay
from logger.config import AlarmKind
from logger.model import Block, Command
from logger.watch.pipeline import Watch
from simulator.recording import RecordingLabel
from simulator.recording import recording as written
from simulator.rig import Rig
from simulator.runs import find_run
from tests.e2e.replayed_runs import example, profiled

EPOCH_US = 1_795_543_200_000_000
"""2026-11-24T18:00:00Z."""
HEALTHY = {
    "wild-vat": "lactic-vegetables",
    "starter-vat": "lactic-vegetables",
    "cucumber-vat": "brined-cucumbers",
    "kombucha-vat": "kombucha",
    "vinegar-vat": "vinegar",
}
"""Whole batches in which nothing is wrong, by run, with the profile that judges them; the seed draws the vat."""
TROUBLED = {"stuck-vat": "lactic-vegetables", "stalled-vat": "lactic-vegetables"}


JUDGED = frozenset(
    {
        *(AlarmKind.PH_HIGH, AlarmKind.PH_LOW, AlarmKind.TEMPERATURE_HIGH, AlarmKind.TEMPERATURE_LOW),
        *(AlarmKind.RATE_OF_CHANGE, AlarmKind.RISE, AlarmKind.EARLY_RISE, AlarmKind.NO_START),
        *(AlarmKind.STALL, AlarmKind.FALL_BROKE_OFF, AlarmKind.ABOVE_TARGET),
        *(AlarmKind.NO_DATA, AlarmKind.BLIND, AlarmKind.TRUST_LOST, AlarmKind.EARLY_RISE),
    }
)
"""What counts in a healthy batch. Checks that nobody makes, and targets that nobody checks, are missed with reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """One annunciation in one run."""

    alarm: str
    priority: str
    hour: float


def heard(run: str, seed: int) -> list[Raised]:
    """Return what a run with a seed annunciates."""
    profile = HEALTHY.get(run) or TROUBLED.get(run)
    watch = profiled(profile) if profile else example()
    kinds = {alarm.id: alarm.kind for alarm in watch.vat.alarms}
    entries = [entry for outcome in replay.replay(watch, _items(watch, run, seed)) for entry in outcome.entries]
    return [
        Raised(alarm=entry.alarm, priority=entry.priority, hour=(entry.at_us - EPOCH_US) / 3.6e9)
        for entry in entries
        if entry.annunciates and (run not in HEALTHY or kinds[entry.alarm] in JUDGED)
    ]


def _items(watch: Watch, run: str, seed: int) -> Iterator[Block | Command]:
    label = RecordingLabel(vat=watch.vat.id, probe=watch.probe.id, poll_s=watch.probe.poll_s, epoch_us=EPOCH_US)
    text = "".join(written(Rig(find_run(run), seed), label)).encode()
    return recording.read(io.BytesIO(text), name=run)[1]


def all_heard(run: str, seeds: Iterable[int]) -> list[list[Raised]]:
    """Return what a run annunciates with each seed, two at a time."""
    numbers = list(seeds)
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(heard, [run] * len(numbers), numbers))
