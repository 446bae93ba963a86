"""Each kind of file that is made is its owner's alone, whatever the umask; one that was there keeps its mode."""

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger import private_file
from logger.guided.resume_file import ResumeFile
from logger.probe.byte_log import ByteLog
from logger.store import Store
from simulator.__main__ import main as simulate
from tests.cli.cli_fixture import House, now_us
from tests.store.factories import START_US


@pytest.fixture(params=[0o000, 0o022], ids=["umask-000", "umask-022"], autouse=True)
def _umask(request: pytest.FixtureRequest) -> Iterator[None]:
    before = os.umask(request.param)
    yield
    os.umask(before)


def modes(folder: Path) -> dict[str, int]:
    return {file.name: stat.S_IMODE(file.stat().st_mode) for file in folder.iterdir()}


def private(*names: str) -> dict[str, int]:
    return dict.fromkeys(names, 0o600)


def test_the_store_and_what_stands_beside_it(tmp_path: Path) -> None:
    with Store.open(f"sqlite:///{tmp_path}/log.sqlite", simulated=True, migrate=True) as store:
        store.claim()
        with store.begin() as work:
            work.start_run(at_us=0, elapsed_us=0, version="0.1.0", config_hash="")
            work.commit()
        ResumeFile.beside(store.path, "p1").keep([])
        beside = ("log.sqlite", "log.sqlite-wal", "log.sqlite-shm", "log.sqlite.lock", "log.sqlite.p1.draft.json")
        assert modes(tmp_path) == private(*beside)


def test_a_store_behind_a_link_that_leads_to_no_file_yet(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "log.sqlite")
    Store.open(f"sqlite:///{tmp_path}/link", simulated=True, migrate=True).close()
    assert modes(tmp_path)["log.sqlite"] == 0o600


def test_a_backup(tmp_path: Path) -> None:
    with Store.open(f"sqlite:///{tmp_path}/log.sqlite", simulated=True, migrate=True) as store:
        copy = store.backup(tmp_path / "copies", at_us=START_US)
    assert modes(tmp_path / "copies") == private(copy.name)


def test_a_log_of_bytes(tmp_path: Path) -> None:
    ByteLog(tmp_path / "bytes.jsonl", port="/dev/absent", simulated=True).close()
    assert modes(tmp_path) == private("bytes.jsonl")


def test_an_export_a_recording_and_a_replayed_store(tmp_path: Path) -> None:
    house, out = House(folder=tmp_path), tmp_path / "out"
    out.mkdir()
    with house.watch() as watching:
        watching.take([145.0], first_us=now_us())
    for command in (
        ["export", "marrow", "--out", str(out / "a.csv")],
        ["export", "marrow", "--format", "recording", "--out", str(out / "a.jsonl")],
        ["replay", str(out / "a.jsonl"), "--store", str(out / "a.sqlite")],
    ):
        assert house.do(*command).exit_code == 0
    assert set(modes(out)) >= {"a.csv", "a.jsonl", "a.sqlite"}
    assert set(modes(out).values()) == {0o600}


def test_what_the_simulator_writes(tmp_path: Path) -> None:
    for command in (["record", "quiet-night", "--hours", "0.1"], ["dip", "quiet-night"]):
        done = CliRunner().invoke(simulate, [*command, "--out", str(tmp_path / command[0])], catch_exceptions=False)
        assert done.exit_code == 0
    assert modes(tmp_path) == private("record", "dip")


def test_a_file_that_is_there_keeps_its_mode_and_is_found(tmp_path: Path) -> None:
    wide, own = tmp_path / "wide", tmp_path / "own"
    for file, mode in ((wide, 0o640), (own, 0o600)):
        file.touch()
        file.chmod(mode)
        private_file.make(file)
        private_file.opened(file, "ab").close()
    assert modes(tmp_path) == {"wide": 0o640, "own": 0o600}
    assert private_file.open_to_others([wide, own, tmp_path, tmp_path / "absent"]) == [wide]
