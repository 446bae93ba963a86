"""README, DEVELOPERS and the help topics: not too long, and what they point to is there."""

import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger import help as topics
from logger import recording, settings
from logger.cli import main
from logger.model import Block
from logger.report import reference
from logger.report.reference.settings import settings as settings_list
from logger.settings.document import ANY_ID, layout
from tests.help.documents import PROGRAMS, PROJECT, TEXTS, blocks, snippets
from tests.mqtt.factories import TOPICS

BASE = {
    "[store]": 'path = "log.sqlite"',
    "[probe.north-probe]": 'port = "/dev/serial/by-id/..."',
    "[vat.north]": 'name = "North vat"\nprobe = "north-probe"',
}
SHOWN = ("Believed: ", "Marrow: ", "ph-low of marrow: ", "  vat     ", "cli -> ")
"""How blocks begin that show what comes out."""


@pytest.mark.parametrize(("name", "most"), [("README", 1800), ("DEVELOPERS", 2500)])
def test_a_document_is_short_enough_to_be_read(name: str, most: int) -> None:
    assert len(TEXTS[name].split()) <= most


def test_the_readme_has_its_two_commands_and_ci_finds_the_one_that_runs_the_tests() -> None:
    (script,) = re.findall(r"sed -n '(.+)' README\.md", (PROJECT / ".ci" / "run").read_text(encoding="utf-8"))
    sed = ["/usr/bin/env", "sed", "-n", script, str(PROJECT / "README.md")]
    found = subprocess.run(sed, check=True, capture_output=True, text=True).stdout
    start = "python3 -m venv .venv && .venv/bin/pip install -q -e "
    assert found == f"{start}'.[test]' && .venv/bin/pytest -n 4\n"
    assert f"    {start}'.[demo]' && .venv/bin/vatvigil demo\n" in TEXTS["README"]


def test_every_file_of_the_help_is_a_topic_and_says_in_its_first_line_what_it_is_about() -> None:
    assert {file.stem for file in (PROJECT / "logger" / "help").glob("*.md")} == set(topics.TOPICS)
    assert all(topics.source(topic).startswith(f"# {topic}: ") for topic in topics.TOPICS)
    assert all(len(f"  {topic:<16} {subject}") <= 110 for topic, subject in topics.subjects().items())


@pytest.mark.parametrize("topic", topics.TOPICS)
def test_every_table_of_a_topic_is_filled_in(topic: str) -> None:
    made = reference.text(topic, {"commands": lambda: "the commands"})
    assert not re.search(r"\{\{\w+\}\}|<!--", made)
    assert all(len(line) <= 100 for line in topics.source(topic).splitlines() if not re.match(r"    |\||#", line))


def test_the_readme_names_every_topic() -> None:
    assert [
        topic for topic in topics.TOPICS if not re.search(rf"\b{topic}\b", TEXTS["README"].split("## Where")[1])
    ] == []


def test_a_document_points_to_files_that_are_there() -> None:
    linked = [link for text in TEXTS.values() for link in re.findall(r"\]\(([^)#]+)\)", text)]
    named = [path for text in TEXTS.values() for path in re.findall(r"\bconfig_examples/[\w.-]+\w", text)]
    rooms = re.findall(r"`((?:tests|logger|simulator)/[\w./]+)`", TEXTS["DEVELOPERS"])
    assert [path for path in [*linked, *named, *rooms] if not (PROJECT / path).exists()] == []


def test_each_help_topic_that_a_text_names_is_there() -> None:
    named = {topic for text in TEXTS.values() for topic in re.findall(r"`vatvigil help ([a-z]+)`", text)}
    assert named <= set(topics.TOPICS)


@pytest.mark.parametrize(("name", "text"), snippets())
def test_an_example_of_a_configuration_loads(name: str, text: str, tmp_path: Path) -> None:
    del name
    text = text.replace("/usr/local/bin/ring-the-bell", "/bin/true")
    rest = "\n".join(f"{header}\n{keys}" for header, keys in BASE.items() if header not in text)
    (tmp_path / "vatvigil.toml").write_text(f"{text}\n{rest}\n", encoding="utf-8")
    assert tomllib.loads(text)
    assert settings.load(tmp_path / "vatvigil.toml", environ={}).vats


def test_the_example_of_a_recording_is_read(tmp_path: Path) -> None:
    (example,) = [block for name, block in blocks() if name == "files" and block.startswith("{")]
    (tmp_path / "night.jsonl").write_text(example + "\n", encoding="utf-8")
    with (tmp_path / "night.jsonl").open("rb") as file:
        header, items = recording.read(file, name="night.jsonl")
        (block,) = items
    assert isinstance(block, Block)
    assert (header.probe, block.seq.tolist(), block.potential_mv[0]) == ("north-probe", [1, 2], 171.2)


def test_every_block_is_of_a_kind_that_is_tested() -> None:
    kinds = (*PROGRAMS, *SHOWN, "[", '{"recording"', f"{TOPICS.root}/")
    assert [block for _, block in blocks() if not block.startswith(kinds)] == []


def test_every_key_of_the_file_stands_in_its_table_with_its_meaning() -> None:
    described = set(_described(settings_list()))
    assert [path for path in _leaves(layout()) if path not in described] == []


def test_no_meaning_of_a_key_is_written_in_the_words_of_the_code() -> None:
    assert re.findall(r"\b(?:None|True|False|[A-Z]+_[A-Z_]+|\w+\.py)\b", settings_list()) == []


def _described(text: str) -> Iterator[tuple[str, ...]]:
    """Yield the path of each key that has a meaning; names of the user's own as `ANY_ID`."""
    for section in re.sub(r"\n  +", " ", text).split("\n\n`["):
        title, items = section.removeprefix("`[").split("]", 1)
        table = tuple(ANY_ID if part.startswith("<") else part for part in title.split("."))
        others = re.findall(r"\w+", items.split("`", 1)[0])  # tables with the same keys
        for keys in re.findall(r"^- ((?:`\w+`(?:, )?)+)(?: \(.*?\))?: \S", items, re.MULTILINE):
            for key in re.findall(r"\w+", keys):
                yield from ((*parent, key) for parent in [table, *((*table[:-1], other) for other in others)])


def _leaves(shape: object, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Yield the path of each key that holds a value; a profile's alarms and target are those of a vat."""
    if not isinstance(shape, dict) or not isinstance(shape.get(ANY_ID, {}), dict):
        yield path
    elif path[:1] != ("profile",) or len(path) < 3:
        for key, below in shape.items():
            yield from _leaves(below, (*path, key))


def test_the_list_of_commands_is_that_of_the_program() -> None:
    shown = CliRunner().invoke(main, ["help", "files"]).output
    names = main.list_commands(main.make_context("vatvigil", ["help"]))
    assert [name for name in names if f"`vatvigil {name}`" not in shown] == []
