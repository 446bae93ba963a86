"""A house with vats for the page: simulated runs, replayed into one store so that they end at a chosen moment."""

import io
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger import recording, settings
from logger.config import Config
from logger.model import BatchEntry, Block, Cause, Command, CommandKind, Entry, Mark, batch_id
from logger.model.batch import BatchContent, BatchHeader, Departure, Ingredient, Remark
from logger.replay import ReplayStore, replay_into
from logger.store import Store, batches
from logger.structs import replace
from logger.units import HOUR_US, SECOND_US
from logger.watch.pipeline import Watch

NASTY = "<script>document.title = 'taken'</script> & <b>bold</b>"
"""What somebody may write into a note."""
TURNED = "\N{RIGHT-TO-LEFT OVERRIDE}live"
"""What no command takes: it stands in a store only by another hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneVat:
    """A vat, which run of the simulator it is, and how long before the moment its log ends."""

    id: str
    name: str
    run: str
    seed: int = 1
    ended_s: float = 4.0
    batch: bool = False
    last_h: float = 1e9
    """Only so many hours of the run."""


HOUSE = (
    SceneVat(id="north", name="North vat", run="starter-vat", seed=3, batch=True, last_h=60),
    SceneVat(id="south", name="South vat", run="long-foam"),
    SceneVat(id="attic", name="Vat in the attic beside the stairs", run="probe-knocked", seed=2, last_h=5),
    SceneVat(id="cellar", name="Cellar vat", run="quiet-night", ended_s=2400.0, last_h=6),
)
SMALL = (SceneVat(id="north", name="North vat", run="normal-night", batch=True, last_h=3),)


def build(folder: Path, *, now_us: int, vats: Sequence[SceneVat] = HOUSE) -> Config:
    """Write configuration and store into a folder; return the configuration."""
    path = folder / "vatvigil.toml"
    path.write_text(_configuration(vats))
    config = settings.load(path, environ={})
    store = ReplayStore.open(config.store_url, simulated=False)
    with store.store:
        for vat, configured in zip(vats, config.vats, strict=True):
            watch = Watch(vat=configured, probe=config.probe(configured.probe))
            for _ in replay_into(store, watch, _items(vat, now_us)):
                pass
            if vat.batch:
                _enter(store, vat.id, now_us)
    return config


HEAD = '[store]\npath = "log.sqlite"\n[people]\nzone = "Europe/Paris"\n'
VAT = """
[probe.{id}-probe]
port = "/dev/absent-{id}"
poll_s = 10
[vat.{id}]
name = "{name}"
probe = "{id}-probe"
profile = "lactic-vegetables"
[vat.{id}.target]
ph = 4.6
"""


def _configuration(vats: Sequence[SceneVat]) -> str:
    return HEAD + "".join(VAT.format(id=vat.id, name=vat.name) for vat in vats)


def _items(vat: SceneVat, now_us: int) -> Iterator[Block | Command]:
    command = [sys.executable, "-P", "-m", "simulator", "record", vat.run, "--seed", str(vat.seed), "--poll", "10"]
    made = subprocess.run([*command, "--vat", vat.id, "--probe", f"{vat.id}-probe"], capture_output=True, check=True)
    items = [*recording.read(io.BytesIO(made.stdout), name=vat.run)[1]]
    end_us = max(int(item.at_us[-1]) for item in items if isinstance(item, Block))
    begin_us = end_us - round(vat.last_h * HOUR_US)
    shift_us = now_us - round(vat.ended_s * SECOND_US) - end_us
    if vat.batch and not any(isinstance(item, Command) and item.note == Mark.STARTED for item in items):
        started = Command(id=0, at_us=begin_us, kind=CommandKind.MARK, vat=vat.id, by="tova", note=Mark.STARTED)
        yield _shifted(started, shift_us)
    for item in items:
        if isinstance(item, Command):
            yield _shifted(item, shift_us)
        elif int(item.at_us[-1]) > begin_us:
            yield replace(item, at_us=item.at_us + shift_us)


def _shifted(command: Command, by_us: int) -> Command:
    check, line = command.check, command.calibration
    return replace(
        command,
        at_us=command.at_us + by_us,
        check=None if check is None else replace(check, at_us=check.at_us + by_us),
        calibration=None if line is None else replace(line, at_us=line.at_us + by_us),
    )


def _enter(store: ReplayStore, vat: str, now_us: int) -> None:
    """Enter what people enter in the record of a batch, and a note that somebody means ill with."""
    under_way = batches.open_batch(store.store, vat)
    batch = batch_id(vat, 0) if under_way is None else under_way.id
    said: tuple[BatchContent, ...] = (
        BatchHeader(product="sour cabbage", lot="L-0417", volume_l=120.0, salt_percent=2.2),
        Ingredient(name="white cabbage", mass_kg=96.0, lot="C-12"),
        Ingredient(name="sea salt", mass_kg=2.1),
        Remark(text="Skimmed, smells clean."),
        Departure(
            limit="temperature below 16 C", from_at_us=now_us - HOUR_US, cause="a window stood open", disposition="hold"
        ),
        Remark(text=NASTY + " " + "long " * 1900),
    )
    with store.store.begin() as work:
        for number, content in enumerate(said):
            at_us = now_us - (len(said) - number) * 600 * SECOND_US
            entry = BatchEntry(
                entry=f"entry-{number}",
                batch=batch,
                vat=vat,
                at_us=at_us,
                happened_at_us=at_us,
                by="tova",
                content=content,
            )
            work.add_batch_entry(entry)
        work.add_entries(
            [Entry(seq=0, at_us=now_us, vat=vat, cause=Cause.NOTED, by=f"{TURNED} {NASTY}", text=f"{NASTY} {TURNED}")]
        )
        work.commit()


NOW_US = 1_795_543_200 * SECOND_US
"""2026-11-24T18:00:00Z."""


def empty(folder: Path) -> Config:
    """Return a house whose store has nothing in it yet."""
    path = folder / "vatvigil.toml"
    path.write_text(_configuration(SMALL))
    config = settings.load(path, environ={})
    Store.open(config.store_url, simulated=False, migrate=True).close()
    return config
