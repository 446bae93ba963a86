"""What `vatvigil init --defaults` tells of healthy vats: the file as written, calibrated first, a person's checks.

Nothing is wrong with these runs, so no alarm of high priority may come; what else comes is listed, for a person whom
maintenance that is not due or a course that is usual disturbs by day, too. The person is awake from 7 to 22, and
compares with another instrument, which is right, when the alarm `check-overdue` came, or when nothing but that is
wanted for the claim.

    .venv/bin/python -m tests.bench.bench_first_nights --seeds 1-50
    .venv/bin/pytest -m bench -n 0 -s tests/bench/bench_first_nights.py     (two seeds a run)
"""

import argparse
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner

from logger import settings
from logger.cli.init import init
from logger.measure.target_standing import TargetState, standing
from logger.model import (
    Belief,
    Block,
    Calibration,
    Cause,
    Check,
    CheckKind,
    Command,
    CommandKind,
    Entry,
    Floats,
    Lack,
    Mark,
    Measurements,
    WatchState,
)
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from simulator.recording import RecordingLabel, calibration
from simulator.rig import Rig
from simulator.runs import RUNS
from tests.bench.trust_runs import EPOCH_US, JUDGED_PH, SPOT_U_PH, block_of

HEALTHY = {
    "normal-night": "lactic-vegetables",
    "quiet-night": "lactic-vegetables",
    "wild-vat": "lactic-vegetables",
    "starter-vat": "lactic-vegetables",
    "cucumber-vat": "brined-cucumbers",
    "kombucha-vat": "kombucha",
    "vinegar-vat": "vinegar",
}
"""Runs of the simulator without a fault or a disturbance, and the kind of ferment of each."""
AWAKE_FROM, AWAKE_TO = 7, 22
HOUR_US = 3_600_000_000
COMPARED = {Lack.CONFIRMATION, Lack.QUESTION}
"""What a comparison with another instrument is good for."""


@lru_cache
def watch_of(profile: str) -> Watch:
    """Return the watch of the file that `init --defaults` writes, quiet hours and all."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "vatvigil.toml"
        options = ["--defaults", "--simulated", "--profile", profile, "--zone", "UTC", "--out", str(out)]
        done = CliRunner().invoke(init, options, catch_exceptions=False)
        if done.exit_code:
            raise RuntimeError(done.output)
        config = settings.load(out, environ={})
    return Watch(vat=config.vats[0], probe=config.probes[0])


@dataclass(slots=True)
class Household:
    """A vat, its watch, and the person who looks after it."""

    run: str
    seed: int
    rig: Rig = field(init=False)
    watch: Watch = field(init=False)
    block: Block = field(init=False)
    true_ph: Floats = field(init=False)
    state: WatchState = field(init=False)
    line: Calibration = field(init=False)
    entries: list[Entry] = field(default_factory=list)
    waiting: list[Command] = field(default_factory=list)
    records: int = 0
    not_believed: int = 0
    checks: int = 0
    commands: int = 0

    def __post_init__(self) -> None:
        """Calibrate first, put the probe into the vat, and of a batch that begins say so."""
        self.rig, self.watch = Rig(RUNS[self.run], self.seed), watch_of(HEALTHY[self.run])
        block, begin_us = block_of(self.rig, self.watch.probe.poll_s), round(self.rig.run.start_hour * HOUR_US)
        midnight_us = EPOCH_US - EPOCH_US % (24 * HOUR_US)
        self.block = replace(block, at_us=block.at_us - EPOCH_US + midnight_us + begin_us)
        self.state = pipeline.fresh(self.watch)
        self.true_ph = np.interp(self.block.elapsed_us / HOUR_US, self.rig.course.hours, self.rig.course.ph)
        probe, at_us = self.watch.probe, int(self.block.at_us[0])
        label = RecordingLabel(vat=self.watch.vat.id, probe=probe.id, poll_s=probe.poll_s, epoch_us=at_us)
        self.line = msgspec.convert(calibration(self.rig, label), Calibration)
        self._ask(CommandKind.CALIBRATE, 0, vat="", calibration=self.line)
        self._ask(CommandKind.MARK, 0, note=Mark.PROBE_IN)
        if self.rig.run.vat.age_h == 0.0:
            self._ask(CommandKind.MARK, 0, note=Mark.STARTED)

    def _ask(self, kind: CommandKind, row: int, *, vat: str | None = None, **what: object) -> None:
        self.commands += 1
        vat_id = self.watch.vat.id if vat is None else vat
        at_us, seq = int(self.block.at_us[row]), int(self.block.seq[row])
        self.waiting.append(
            Command(id=self.commands, at_us=at_us, kind=kind, vat=vat_id, probe=self.watch.probe.id, seq=seq, **what)  # type: ignore[arg-type]
        )

    def go_on(self) -> None:
        """Carry the watch over the whole run, an hour at a time."""
        step = round(3600.0 / self.watch.probe.poll_s)
        for first in range(0, len(self.block), step):
            part = self.block[first : first + step]
            self.state, outcome = pipeline.step(self.watch, self.state, part, commands=self.waiting)
            self.waiting = []
            self.entries += outcome.entries
            self.records += len(part)
            self.not_believed += int((outcome.measurements.belief == Belief.NOT_BELIEVED).sum())
            self._look(outcome.measurements, first + len(part))

    def _look(self, newest: Measurements, row: int) -> None:
        """Compare with another instrument where the watch asks for it and somebody is awake."""
        hour = int(newest.at_us[-1]) // HOUR_US % 24
        if row >= len(self.block) or not AWAKE_FROM <= hour < AWAKE_TO or np.isnan(newest.ph).all():
            return
        if self._is_overdue() or self._lacks_check(int(newest.at_us[-1])):
            self._compare(newest, row)

    def _is_overdue(self) -> bool:
        state = self.state.carry.alarms.get("check-overdue")
        return state is not None and state.abnormal

    def _lacks_check(self, at_us: int) -> bool:
        now = standing(self.watch.vat, self.state.carry, at_us=at_us)
        is_open = now is not None and now.state is TargetState.NOT_SHOWN and now.newest is not None
        return bool(is_open and now and now.lacks and set(now.lacks) <= COMPARED)

    def _compare(self, newest: Measurements, row: int) -> None:
        """Enter what another instrument reads now."""
        rows = newest[max(len(newest) - round(600.0 / self.watch.probe.poll_s), 0) :]
        read, true = float(np.nanmedian(rows.ph)), float(self.true_ph[row])
        self.checks += 1
        check = Check(
            id=self.checks,
            probe=self.watch.probe.id,
            at_us=int(self.block.at_us[row]),
            kind=CheckKind.SPOT,
            reference_ph=true,
            u_reference_ph=SPOT_U_PH,
            reading_ph=read,
            deviation_ph=read - true,
            tolerance_ph=JUDGED_PH,
            passed=abs(read - true) <= JUDGED_PH,
            calibration=self.line.id,
            vat=self.watch.vat.id,
            temperature_c=float(np.nanmedian(rows.temperature_c)),
            instrument="another meter",
        )
        self._ask(CommandKind.CHECK, row, check=check)

    def told(self, priority: str) -> list[Entry]:
        """Return what annunciated with a priority."""
        return [entry for entry in self.entries if entry.annunciates and entry.alarm and entry.priority == priority]

    @property
    def claimed(self) -> bool:
        """Tell whether the target was claimed."""
        return any(entry.cause is Cause.MEASURED_AT_TARGET for entry in self.entries)


def lines(runs: Iterable[str], seeds: Iterable[int]) -> Iterator[str]:
    """Yield a table: a run a line, and below it each alarm of high priority."""
    every = list(seeds)
    yield f"{'run':<13} seeds high  checks a run  claimed  not believed  medium, low (times)"
    for run in runs:
        high: list[str] = []
        others, checks, claimed, shares = Counter[str](), 0, 0, list[float]()
        for seed in every:
            house = Household(run, seed)
            house.go_on()
            begin_us = int(house.block.at_us[0])
            high += [
                f"    seed {seed}, {entry.alarm} after {(entry.at_us - begin_us) / HOUR_US:.1f} h: {entry.text}"
                for entry in house.told("high")
            ]
            others.update(f"{entry.alarm}" for entry in (*house.told("medium"), *house.told("low")))
            checks, claimed = checks + house.checks, claimed + house.claimed
            shares.append(house.not_believed / house.records)
        listed = ", ".join(f"{alarm} {times}" for alarm, times in sorted(others.items())) or "none"
        figures = f"{len(every):>5} {len(high):>4} {checks / len(every):>13.1f} {claimed:>8} {max(shares):>12.1%}"
        yield f"{run:<13} {figures}  {listed}"
        yield from high


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_no_healthy_vat_wakes_anybody() -> None:
    print("\n".join(lines(HEALTHY, (1, 2))))


def main() -> None:
    """Print the table of the runs and seeds that were asked for."""
    parser = argparse.ArgumentParser(description="What the defaults tell of healthy vats.")
    parser.add_argument("--runs", default=",".join(HEALTHY))
    parser.add_argument("--seeds", default="1-50", help="such as 1-50")
    said = parser.parse_args()
    first, _, last = said.seeds.partition("-")
    for line in lines(said.runs.split(","), range(int(first), int(last or first) + 1)):
        print(line, flush=True)


if __name__ == "__main__":
    main()
