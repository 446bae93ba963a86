"""Compare two checkouts: every named run of the simulator with several seeds must come out the same.

    python -m tests.golden_nights compare REVISION [--texts FILE] [--runs NAME ...] [--seeds N]

checks REVISION out into a temporary folder, records the runs there and here, each with the code of its own checkout
(its own copy of this file included) in this one environment, and prints what differs: records, journal, answers,
events, MQTT messages (topic, payload, flags), exports, and what the daemon tells the broker when it starts. FILE lists
texts that were meant to change, one `old -> new` a line; they are replaced on the side of REVISION before comparing.
Exit status 1: something differs. A revision whose copy of this file no longer runs is compared by a commit on top of it
that repairs the copy. Run it before and after any change that should not change behaviour.
"""

import argparse
import io
import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC
from difflib import unified_diff
from functools import partial
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace

import msgspec

from logger import recording, replay, settings
from logger.config import Config
from logger.daemon.publisher import Publisher
from logger.model import Block, Carry, Command, CommandKind, Outcome
from logger.mqtt.entity import Software
from logger.mqtt.messages import Message
from logger.report import csv_file, excerpt
from logger.report.beliefs import EvidenceIndex
from logger.report.local_time import LocalTime
from logger.store import Store, history, queries
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from simulator.recording import RecordingLabel
from simulator.recording import recording as written
from simulator.rig import Rig
from simulator.runs import RUNS, find_run

EPOCH_US = 1_795_543_200_000_000
"""2026-11-24T18:00:00Z."""
HERE = Path(__file__).parents[1]
ROWS = 60
"""Records a step: a message of the newest measurement is compared for each step."""
PROFILES = {
    "wild-vat": "lactic-vegetables",
    "starter-vat": "lactic-vegetables",
    "cucumber-vat": "brined-cucumbers",
    "kombucha-vat": "kombucha",
    "vinegar-vat": "vinegar",
    "stuck-vat": "lactic-vegetables",
    "stalled-vat": "lactic-vegetables",
}
"""Runs of days, judged by the alarms of a profile; the others by those of the simulator's example."""
COMMON = """
[people]
zone = "Europe/Lisbon"
[quiet]
from = "22:00"
to = "07:00"
[digest]
at = "07:00"
[mqtt]
host = "localhost"
"""
PROFILED = """
[store]
path = "golden.sqlite"
[simulation]
[probe.marrow-probe]
port = "/dev/null"
poll_s = 60
[vat.marrow]
probe = "marrow-probe"
name = "Marrow"
profile = "{profile}"
"""
LEFT_OUT = {"watch", "watch_part", "meta", "run", "store_revision"}
"""Tables that hold how the state is written down, or what machine and version wrote it."""


class Recorder(SimpleNamespace):
    """Stands where messages leave for the broker, and keeps each of them."""

    def put(self, message: Message) -> None:
        """Keep a standing message that differs from the one before on its topic."""
        if self.slots.get(message.topic) != message:
            self.slots[message.topic] = message
            self.kept.append(message)

    def latest(self, message: Message, _valid_until_us: int) -> None:
        """Keep the newest value of a topic."""
        self.kept.append(message)

    def offer(self, events: Iterable[object]) -> None:
        """Keep nothing: events are compared as the outbox holds them."""

    @property
    def standing(self) -> list[Message]:
        """Return the standing messages."""
        return list(self.slots.values())


def configuration(run: str, folder: Path) -> Config:
    """Return the configuration that judges a run."""
    example = HERE / "config_examples" / "simulator.toml"
    text = PROFILED.format(profile=PROFILES[run]) if run in PROFILES else example.read_text(encoding="utf-8")
    path = folder / "vatvigil.toml"
    path.write_text(text + COMMON, encoding="utf-8")
    return settings.load(path, environ={})


def items_of(config: Config, run: str, seed: int) -> Iterator[Block | Command]:
    """Yield the recording of a run with what a person might ask meanwhile."""
    probe = config.probes[0]
    label = RecordingLabel(vat="marrow", probe=probe.id, poll_s=probe.poll_s, epoch_us=EPOCH_US)
    text = "".join(written(Rig(find_run(run), seed), label)).encode()
    _, items = recording.read(io.BytesIO(text), name=run)
    alarms = [alarm.id for alarm in config.vats[0].alarms]
    number = 1_000_000
    for item in items:
        if isinstance(item, Block):
            for seq in range(int(item.seq[0]), int(item.seq[-1]) + 1):
                for command in asked_before(seq, alarms):
                    number += 1
                    yield replace(command, id=number, seq=seq, at_us=EPOCH_US)
        yield item


def asked_before(seq: int, alarms: list[str]) -> Iterator[Command]:
    """Yield what is asked before a record: each kind of request, each at its own rhythm."""
    ask = partial(Command, id=0, at_us=0, vat="marrow", by="golden")
    if seq % 701 == 0:
        yield from (ask(kind=CommandKind.ACKNOWLEDGE, alarm=alarm) for alarm in alarms)
    if seq % 1201 == 0:
        yield ask(kind=CommandKind.SHELVE, alarm=alarms[seq // 1201 % len(alarms)], duration_s=1800.0)
    if seq % 1301 == 0:
        yield ask(kind=CommandKind.ATTEND, duration_s=600.0)
    if seq % 1301 == 20:
        yield ask(kind=CommandKind.LEAVE)
    if seq % 1709 == 0:
        yield ask(kind=CommandKind.MARK, note=("stirred", "topped-up")[seq // 1709 % 2])
    if seq == 100:
        yield ask(kind=CommandKind.MARK, note="started", duration_s=7200.0)
    if seq % 1999 == 0:
        yield ask(kind=CommandKind.NOTE, note="weights pushed down")


def record(run: str, seed: int, out: Path) -> None:
    """Write down everything that a run with a seed makes, as files of lines."""
    out.mkdir(parents=True)
    config = configuration(run, out)
    vat, probe = config.vats[0], config.probes[0]
    shelf = replay.ReplayStore.open(config.store_url, simulated=True)
    recorder, hub = _hub(config)
    watch = Watch(vat=vat, probe=probe)
    own = Carry(probe="")
    hub.publish_standing({vat.id: pipeline.fresh(watch).carry, "system": own}, at_us=EPOCH_US)
    outcome: Outcome | None = None
    for outcome in replay.replay_into(shelf, watch, items_of(config, run, seed), rows=ROWS):
        hub.publish_outcome(outcome, now_us=0)
    _lines(out / "messages.txt", map(_message, recorder.kept))
    if outcome is not None:
        recorder, hub = _hub(config)
        hub.publish_standing({vat.id: outcome.carry, "system": own}, at_us=EPOCH_US)
        _lines(out / "start.txt", map(_message, recorder.kept))
    shelf.store.close()
    _dump(next(out.glob("*.sqlite")), out)
    _export(config, out)
    for left in [*out.glob("*.sqlite*"), *out.glob("*.toml")]:
        left.unlink()


def _hub(config: Config) -> tuple[Recorder, Publisher]:
    assert config.mqtt is not None
    hub = Publisher(
        config=config, mqtt=config.mqtt, software=Software(version="golden"), store="golden", post=lambda _: None
    )
    recorder = Recorder(slots={}, kept=[])
    hub.delivery = recorder  # type: ignore[assignment] # the part of it that the hub calls
    return recorder, hub


def _message(message: Message) -> str:
    return json.dumps(msgspec.to_builtins(message))


def _lines(path: Path, lines: Iterable[str]) -> None:
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")


def _dump(store: Path, out: Path) -> None:
    """Write each table as lines of JSON, in the order of its rows."""
    with sqlite3.connect(store) as base:
        base.row_factory = sqlite3.Row
        names = [row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        for name in names:
            if name not in LEFT_OUT and not name.startswith("sqlite_"):
                rows = base.execute(f"SELECT * FROM {name}")  # noqa: S608 - the name comes from the database itself
                _lines(out / f"table-{name}.txt", (json.dumps(dict(row)) for row in rows))
    base.close()


def _export(config: Config, out: Path) -> None:
    with Store.open(config.store_url, simulated=True, read_only=True) as store:
        spans = history.spans(store, vat="marrow")
        made = [one.calibration for one in queries.calibrations(store, spans[0].probe) if one.accepted]
        evidence = EvidenceIndex.of(made, queries.checks(store, spans[0].probe))
        pieces = ((span, history.measurements(store, replace(span, last=span.last + 1))) for span in spans)
        with (out / "export.csv").open("w", encoding="utf-8", newline="") as text:
            csv_file.write(text, pieces, clock=LocalTime(UTC), evidence=evidence, simulated=True)
        header = recording.Header(recording=1, simulated=True, vat="marrow", probe=spans[0].probe, poll_s=10.0)
        with (out / "export.jsonl").open("wb") as stream:
            recording.write(stream, header, excerpt.items(store, spans[0]))


def record_all(runs: Iterable[str], seeds: int, out: Path) -> None:
    """Record runs with the seeds from 1 on."""
    for run in runs:
        for seed in range(1, seeds + 1):
            record(run, seed, out / run / str(seed))


def compare(revision: str, *, texts: dict[str, str], runs: list[str], seeds: int) -> int:
    """Record both checkouts and print what differs; return how many files do."""
    with TemporaryDirectory(prefix="golden-") as name:
        folder = Path(name)
        there = folder / "base"
        _git("worktree", "add", "-q", "--detach", str(there), revision)
        try:
            with ThreadPoolExecutor(2) as both:
                jobs = [(HERE, folder / "new"), (there, folder / "old")]
                list(both.map(lambda job: _recorded(*job, runs=runs, seeds=seeds), jobs))
            return differences(folder / "old", folder / "new", texts)
        finally:
            _git("worktree", "remove", "--force", str(there))


def _git(*words: str) -> None:
    subprocess.run(["git", "-C", HERE, *words], check=True)  # noqa: S607 - the developer's own


def _recorded(checkout: Path, out: Path, *, runs: list[str], seeds: int) -> None:
    command = [sys.executable, "-m", "tests.golden_nights", "record", str(out), "--seeds", str(seeds), "--runs", *runs]
    subprocess.run(command, cwd=checkout, check=True, env={**os.environ, "PYTHONPATH": str(checkout)})


def differences(old: Path, new: Path, texts: dict[str, str]) -> int:
    """Print the first lines of each difference; return how many files differ."""
    names = sorted({p.relative_to(side) for side in (old, new) for p in side.rglob("*") if p.is_file()})
    count = 0
    for name in names:
        before, after = (_text(side / name) for side in (old, new))
        for text, instead in texts.items():
            before = before.replace(text, instead)
        if before != after:
            count += 1
            lines = unified_diff(before.splitlines(), after.splitlines(), f"old/{name}", f"new/{name}", "", "", 0, "")
            print("\n".join(line[:400] for line in islice(lines, 8)))
    print(f"{len(names)} files compared, {count} differ")
    return count


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8") if path.exists() else ""


def read_texts(path: Path | None) -> dict[str, str]:
    """Return the texts that were meant to change: old -> new, one a line; lines that begin with # are comments."""
    lines = path.read_text(encoding="utf-8").splitlines() if path else []
    return dict(line.split(" -> ", 1) for line in lines if line and not line.startswith("#"))


def main() -> None:
    """Read the command line and do what it says."""
    parser = argparse.ArgumentParser(description="Compare two checkouts by the simulator's named runs.")
    parser.add_argument("what", choices=["compare", "record"])
    parser.add_argument("where", help="compare: a revision of git; record: a new folder")
    parser.add_argument("--texts", type=Path, help="texts that were meant to change, `old -> new` a line")
    parser.add_argument("--runs", nargs="+", default=list(RUNS), help="names of runs")
    parser.add_argument("--seeds", type=int, default=3, help="how many seeds")
    asked = parser.parse_args()
    if asked.what == "record":
        record_all(asked.runs, asked.seeds, Path(asked.where))
        return
    differ = compare(asked.where, texts=read_texts(asked.texts), runs=asked.runs, seeds=asked.seeds)
    sys.exit(1 if differ else 0)


if __name__ == "__main__":
    main()
