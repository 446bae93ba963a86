"""The wheel, built from the source distribution and installed where nothing of this folder is seen.

Its commands are started in a folder with decoys of our names.
"""

import importlib.metadata
import os
import shutil
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]
DECOY = 'raise SystemExit("the decoy was imported")\n'
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


def built(folder: Path) -> Path:
    """Build the source distribution from a copy, so that nothing is left in the project, and the wheel from that."""
    source = folder / "source"
    kept = shutil.ignore_patterns("__pycache__", "*.egg-info", "build", ".git", ".*cache")
    shutil.copytree(PROJECT, source, ignore=kept)
    command = [sys.executable, "-m", "build", "--outdir", str(folder), str(source)]
    if int(importlib.metadata.version("setuptools").split(".")[0]) >= 77:  # as pyproject.toml asks
        command.insert(3, "--no-isolation")
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode and "No matching distribution" in done.stdout + done.stderr:
        pytest.skip("setuptools is too old and no package index answers: pip install 'setuptools>=77'")
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = folder.glob("*.whl")
    return wheel


def installed(wheel: Path, folder: Path) -> Path:
    """Install the wheel alone into a fresh environment that borrows the dependencies from this one."""
    venv.create(folder, with_pip=False)
    site = Path(sysconfig.get_path("purelib", "venv", {"base": str(folder), "platbase": str(folder)}))
    target = [sys.executable, "-m", "pip", "--python", str(folder / "bin" / "python")]
    options = ["install", "--no-deps", "--no-index", "--disable-pip-version-check", str(wheel)]
    subprocess.run([*target, *options], check=True, capture_output=True, env=ENVIRONMENT)
    borrowed = [path for path in sys.path if path.endswith("site-packages")]
    (site / "borrowed.pth").write_text("\n".join(borrowed) + "\n")
    return folder / "bin"


@pytest.fixture(scope="module")
def programs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    return installed(built(folder), folder / "environment")


@pytest.fixture
def decoys(tmp_path: Path) -> Path:
    for name in ("logger", "simulator"):
        (tmp_path / f"{name}.py").write_text(DECOY)
    return tmp_path


def said(*command: str | Path, cwd: Path) -> str:
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False, timeout=300, env=ENVIRONMENT)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_the_installed_command_is_ours_beside_decoys(programs: Path, decoys: Path) -> None:
    version = importlib.metadata.version("vatvigil")
    assert version in said(programs / "vatvigil", "--version", cwd=decoys)
    assert version in said(programs / "python", "-P", "-m", "logger", "--version", cwd=decoys)
    assert "quiet-night" in said(programs / "python", "-P", "-m", "simulator", "runs", cwd=decoys)
    where = said(programs / "python", "-P", "-c", "import logger; print(logger.__file__)", cwd=decoys)
    assert where.startswith(str(programs.parent))


def test_the_installed_command_shows_its_help_beside_decoys(programs: Path, decoys: Path) -> None:
    assert "ph-high" in said(programs / "vatvigil", "help", "alarms", cwd=decoys)
    assert "junction_ph" in said(programs / "vatvigil", "help", "settings", cwd=decoys)


def test_the_installed_package_says_its_licence(programs: Path) -> None:
    (folder,) = programs.parent.rglob("vatvigil-*.dist-info")
    metadata = (folder / "METADATA").read_text(encoding="utf-8")
    assert "License-Expression: MIT\n" in metadata
    assert "Author: the vatvigil developers\n" in metadata
    assert (folder / "licenses" / "logger" / "LICENSE").read_text(encoding="utf-8").startswith("MIT License\n")


def test_the_installed_command_writes_a_configuration_beside_decoys(programs: Path, decoys: Path) -> None:
    said(programs / "vatvigil", "init", "--defaults", cwd=decoys)
    assert (decoys / "vatvigil.toml").exists()


def test_child_processes_of_the_installed_command_see_no_decoys(programs: Path, decoys: Path) -> None:
    shutil.copy(PROJECT / "config_examples" / "simulator.toml", decoys)
    told = said(programs / "vatvigil", "replay", "--run", "quiet-night", "-c", "simulator.toml", cwd=decoys)
    assert "pH 3." in told


def test_the_wheel_holds_our_packages_and_nothing_else(programs: Path) -> None:
    (wheel,) = programs.parent.parent.glob("*.whl")
    names = said(sys.executable, "-m", "zipfile", "-l", str(wheel), cwd=wheel.parent)
    tops = {line.split("/")[0] for line in names.splitlines()[1:]}
    version = importlib.metadata.version("vatvigil")
    assert tops == {"logger", "simulator", f"vatvigil-{version}.dist-info"}
    wanted = [
        *(PROJECT / "logger").rglob("*.py"),
        *(PROJECT / "logger").rglob("*.json"),
        *(PROJECT / "logger" / "help").glob("*.md"),
        PROJECT / "logger" / "LICENSE",
        *(PROJECT / "simulator").rglob("*.py"),
    ]
    missing = [str(p.relative_to(PROJECT)) for p in wanted if str(p.relative_to(PROJECT)) not in names]
    assert missing == []
