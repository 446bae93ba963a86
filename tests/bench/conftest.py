"""Keep what each bench prints in tests/bench/README.md, with the date and the machine."""

import os
import platform
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

README = Path(__file__).parent / "README.md"
NEWEST = "## Newest runs\n"


def with_section(text: str, name: str, body: str) -> str:
    """Return the text of the README with the section of one bench put in place of its older one."""
    head, _, tail = text.partition(NEWEST)
    sections = dict(re.findall(r"^### (.+?)\n\n(.*?)(?=^### |\Z)", tail, re.MULTILINE | re.DOTALL))
    sections[name] = body
    return head + NEWEST + "".join(f"\n### {each}\n\n{sections[each].strip()}\n" for each in sorted(sections))


def machine() -> str:
    """Say when and where: UTC day, commit, Python, cores, load."""
    git = ["/usr/bin/git", "-C", str(README.parent), "log", "-1", "--format=%h"]
    commit = subprocess.run(git, capture_output=True, text=True, check=False).stdout.strip()
    day = subprocess.run(["/bin/date", "-u", "+%Y-%m-%d"], capture_output=True, text=True, check=True).stdout.strip()
    cores, load = os.cpu_count(), os.getloadavg()[0]
    return f"{day}, {commit}, Python {platform.python_version()}, {platform.machine()}, {cores} cores, load {load:.1f}"


@pytest.fixture(autouse=True)
def figures(request: pytest.FixtureRequest, capsys: pytest.CaptureFixture[str]) -> Iterator[None]:
    """Print what a bench printed, and write it into the README if the bench did not fail."""
    failed = request.session.testsfailed
    yield
    printed = capsys.readouterr().out
    if not printed.strip():
        return
    with capsys.disabled():
        print(printed)
    if request.session.testsfailed == failed:
        lines = "\n".join(f"    {line}".rstrip() for line in printed.strip("\n").splitlines())
        text = with_section(README.read_text(encoding="utf-8"), request.node.name, f"{machine()}:\n\n{lines}")
        README.write_text(text, encoding="utf-8")
