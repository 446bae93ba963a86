"""The plug pulled at any moment of a run, of its daily backup and of a migration: what was told of is on the disk."""

import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.campaign import old_store
from tests.campaign.bench import Bench, bench
from tests.campaign.disk import Cut, Deed, Disk, deeds, published, strace
from tests.campaign.old_store import rows
from tests.campaign.table import chance, note, trials
from tests.campaign.witness import JOURNAL, OUTBOX, RECORDS, Count, Rows
from tests.parts.mosquitto import MakeMosquitto

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(7200),
    pytest.mark.skipif(shutil.which("strace") is None, reason="strace not found: apt-get install strace"),
]


def images(disk: Disk, done: list[Deed], number: int, name: str, folder: Path, to: Path) -> Iterator[tuple[int, Path]]:
    """Yield at how many deeds the plug was pulled, and the folder as it is then; `disk` is moved on."""
    instants = chance(name)
    wanted = [n for n, deed in enumerate(done) if deed.call != "send"]
    cuts, at = sorted(instants.choices(wanted, k=number)), 0
    for n, cut in enumerate(cuts):
        for deed in done[at:cut]:
            disk.do(deed)
        at = cut
        image = to / f"image-{n}"
        image.mkdir(parents=True)
        disk.cut([*Cut][n % len(Cut)], instants, folder=folder, to=image)
        yield cut, image


def check_image(count: Count, image: Path, told: list[Deed], final: dict[str, Rows]) -> None:
    """Compare what is left with what was told before the cut, and with what was written in the end."""
    file = image / "log.sqlite"
    measured, events = promises(told)
    if not file.exists() or not rows(file, "SELECT name FROM sqlite_schema WHERE name = 'outbox'"):
        count.add("lost", len(measured) + len(events), "the whole store")
        return
    count.add("lost", rows(file, "PRAGMA integrity_check") != [("ok",)], "integrity")
    for statement, all_rows in final.items():
        left = rows(file, statement)
        count.add("lost", left != all_rows[: len(left)], f"changed: {statement}")
    stored = {at_us for _, _, at_us, *_ in rows(file, RECORDS)}
    count.add("lost", len(gone := measured - stored), f"told of, not there: {gone}")
    names = {name for name, _ in rows(file, OUTBOX)}
    count.add("doubled", len(missing := events - names), f"told of, not there: {missing}")
    for copy in image.glob("copies/*.sqlite"):
        count.add("lost", rows(copy, "PRAGMA integrity_check") != [("ok",)], f"backup {copy}")


def promises(told: list[Deed]) -> tuple[set[int], set[str]]:
    """Return the times of the measurements and the names of the events that had left."""
    measured: set[int] = set()
    events: set[str] = set()
    for topic, payload in published(told):
        if topic.endswith("/measurement"):
            measured.add(microseconds(json.loads(payload)["at"]))
        elif topic.endswith("/event"):
            events.add(json.loads(payload)["event_id"])
    return measured, events


def microseconds(moment: str) -> int:
    with closing(sqlite3.connect(":memory:")) as judge:
        (seconds,) = judge.execute("SELECT unixepoch(?)", [moment[:19]]).fetchone()
    return int(seconds) * 1_000_000 + int((moment[20:].rstrip("Z") or "0").ljust(6, "0"))


def test_a_power_cut_while_it_watches_and_backs_up(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    number, started = trials(30, 170), trials(2, 40)
    store = 'path = "log.sqlite"\nbackup_dir = "copies"'
    with bench(tmp_path / "bench", mosquitto(persistent=True), store=store) as here:
        disk = Disk.of(here.folder)
        here.prefix = strace(tmp_path / "trace")
        here.start()
        here.watch(trials(6, 30))
        here.until(lambda: any(here.folder.glob("copies/*.sqlite")), "a backup")
        here.settle()
        here.prefix = ()
        final = {statement: here.select(statement) for statement in (RECORDS, JOURNAL)}
        done = deeds(tmp_path / "trace", here.folder)
        measured, events = promises([deed for deed in done if deed.call == "send"])
        assert min(len(measured), len(events)) > 10
        every = max(1, number // started)
        for n, (cut, image) in enumerate(images(disk, done, number, "power cut", here.folder, tmp_path / "images")):
            count = Count()
            told = [deed for deed in done[:cut] if deed.call == "send"]
            check_image(count, shutil.copytree(image, tmp_path / "looked"), told, final)
            note("power cut, running and in a backup", 1, count)
            if n % every == 0:
                note("... and the watch goes on with what is left", 1, goes_on(here, image, told), ended=here.unasked)
            shutil.rmtree(tmp_path / "looked")
            shutil.rmtree(image)


def goes_on(here: Bench, image: Path, told: list[Deed]) -> Count:
    """Start the real daemon on what is left: nothing is renewed, no number is given twice."""
    count, folder = Count(), here.folder
    for old in [*folder.glob("log.sqlite*"), *folder.glob("copies/*")]:
        old.unlink()
    for left in [*image.glob("log.sqlite*"), *image.glob("copies/*")]:
        shutil.copy(left, folder / left.relative_to(image))
    before = {json.loads(p)["occurrence"] for t, p in published(told) if t.endswith("/event") and b'"annunciated"' in p}
    here.start()
    here.until(
        lambda: here.file.exists() and bool(here.select("SELECT 1 FROM sqlite_schema WHERE name='run'")), "a store"
    )
    runs = here.select("SELECT count(*) FROM journal WHERE cause = 'run-started'")[0][0]
    here.watch(2)
    assert here.end() == 0
    renewed = here.select("SELECT count(*) FROM journal WHERE alarm = 'store-renewed'")[0][0]
    count.add("lost", renewed, "the store was begun anew")
    after = [row[5] for row in here.select(JOURNAL) if row[4] == "annunciated" and row[2] == "marrow"]
    count.add("doubled", len(after) - len(set(after)), after)
    count.add("doubled", len(before - set(after)), f"{before} were told, {after} are stored")
    numbers = [row[0] for row in here.select(RECORDS)]
    count.add("lost", numbers != list(range(1, len(numbers) + 1)), f"gaps in {numbers}; {runs} runs")
    return count


def test_a_power_cut_in_a_migration(tmp_path: Path) -> None:
    number, name = trials(4, 60), "power cut, in a migration"
    file = old_store.make(tmp_path / "old")
    before, disk = rows(file, old_store.RECORDS), Disk.of(file.parent)
    assert old_store.migrate(file, strace(tmp_path / "trace")) == 0
    done = deeds(tmp_path / "trace", file.parent)
    for _, image in images(disk, done, number, name, file.parent, tmp_path / "images"):
        count, left = Count(), image / "log.sqlite"
        for copy in image.glob("*.backup"):
            count.add(
                "lost",
                rows(copy, "PRAGMA integrity_check") != [("ok",)] or rows(copy, old_store.RECORDS) != before,
                copy,
            )
        count.add("lost", rows(left, old_store.RECORDS) != before, "records")
        count.add("lost", old_store.migrate(left) != 0 or rows(left, old_store.RECORDS) != before, "migrated once more")
        note(name, 1, count)
        shutil.rmtree(image)


@pytest.mark.parametrize("cut", [*Cut])
def test_the_model_of_the_disk_forgets_what_was_not_flushed(tmp_path: Path, cut: Cut) -> None:
    writer = (
        "import os; f = os.open('kept', os.O_CREAT | os.O_WRONLY, 0o600); os.write(f, b'flushed'); os.fsync(f);"
        "d = os.open('.', os.O_RDONLY); os.fsync(d); os.write(f, b' and not'); os.rename('kept', 'renamed')"
    )
    (folder := tmp_path / "folder").mkdir()
    disk = Disk.of(folder)
    subprocess.run([*strace(tmp_path / "trace"), sys.executable, "-c", writer], cwd=folder, check=True)
    for deed in deeds(tmp_path / "trace", folder):
        disk.do(deed)
    disk.cut(cut, chance("model"), folder=folder, to=tmp_path / "left")
    left = {file.name: file.read_bytes() for file in (tmp_path / "left").iterdir()}
    if cut is Cut.NOTHING:
        assert left == {"kept": b"flushed"}
    elif cut is Cut.ALL:
        assert left == {"renamed": b"flushed and not"}
    else:
        assert set(left.values()) <= {b"flushed", b"flushed and not"}
