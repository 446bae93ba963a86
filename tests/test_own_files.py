"""The files that run are compared with those that were installed."""

from importlib.metadata import Distribution
from pathlib import Path

import pytest

from logger import own_files
from logger.own_files import compare


def installed(site: Path, name: str, *files: str) -> Distribution:
    """Return a distribution with these files, as an installer records it."""
    record = site / f"{name}-1.0.dist-info"
    record.mkdir(parents=True)
    (record / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
    lines = []
    for file in files:
        (site / file).parent.mkdir(parents=True, exist_ok=True)
        (site / file).write_text(f"# of {name}")
        lines.append(f"{file},sha256=x,{(site / file).stat().st_size}")
    (record / "RECORD").write_text("\n".join(lines))
    return Distribution.at(record)


@pytest.fixture
def own(tmp_path: Path) -> Distribution:
    return installed(tmp_path, "vatvigil", "logger/__init__.py", "logger/cli/__init__.py", "simulator/__init__.py")


def test_our_own_files_are_ours(own: Distribution, tmp_path: Path) -> None:
    assert compare(own, tmp_path / "logger", [own]) == ""


def test_a_file_of_another_distribution_in_our_place_is_told_with_its_name(own: Distribution, tmp_path: Path) -> None:
    rival = installed(tmp_path, "other-logging-kit", "logger/__init__.py")
    told = compare(own, tmp_path / "logger", [own, rival])
    assert told.startswith("1 files of vatvigil are missing or not its own, logger/__init__.py among them")
    assert "the distribution other-logging-kit has files of the same name; install vatvigil by itself" in told


def test_a_file_that_went_with_another_distribution_is_told(own: Distribution, tmp_path: Path) -> None:
    (tmp_path / "logger" / "cli" / "__init__.py").unlink()
    assert "logger/cli/__init__.py among them: something was put over them" in compare(own, tmp_path / "logger", [own])


def test_a_folder_that_was_imported_instead_is_told(own: Distribution, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere" / "logger"
    assert f"that runs is {elsewhere}, not that of vatvigil" in compare(own, elsewhere, [own])


def test_what_runs_from_its_source_has_nothing_to_compare_with() -> None:
    assert own_files.foreign() == ""
