"""The comparison of two checkouts still records everything, and still sees what differs."""

from pathlib import Path

import pytest

from tests import golden_nights

FILES = {
    "export.csv",
    "export.jsonl",
    "messages.txt",
    "start.txt",
    "table-calibration.txt",
    "table-inbox.txt",
    "table-journal.txt",
    "table-measurement.txt",
    "table-outbox.txt",
}


def test_recording_a_run_writes_everything_that_it_makes(tmp_path: Path) -> None:
    golden_nights.record("probe-out", 1, tmp_path / "out")
    sizes = {path.name: path.stat().st_size for path in (tmp_path / "out").iterdir()}
    assert {name for name, size in sizes.items() if size} >= FILES
    assert not [name for name in sizes if not name.endswith((".txt", ".csv", ".jsonl"))]


@pytest.mark.parametrize(
    ("texts", "differ"),
    [({}, 1), ({"the pH is low": "pH is low"}, 0), ({"another text": "pH is low"}, 1)],
)
def test_a_changed_line_is_found_unless_it_was_meant_to_change(
    texts: dict[str, str], differ: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for side, text in (("old", "the pH is low"), ("new", "pH is low")):
        (tmp_path / side).mkdir()
        (tmp_path / side / "messages.txt").write_text(f"first\n{text}\n")
        (tmp_path / side / "start.txt").write_text("the same\n")
    assert golden_nights.differences(tmp_path / "old", tmp_path / "new", texts) == differ
    printed = capsys.readouterr().out
    assert f"2 files compared, {differ} differ" in printed
    assert ("-the pH is low\n+pH is low" in printed) == bool(differ)


def test_a_file_that_only_one_side_has_differs(tmp_path: Path) -> None:
    for side in ("old", "new"):
        (tmp_path / side).mkdir()
    (tmp_path / "new" / "start.txt").write_text("something\n")
    assert golden_nights.differences(tmp_path / "old", tmp_path / "new", {}) == 1


def test_texts_are_read_one_change_a_line(tmp_path: Path) -> None:
    file = tmp_path / "texts"
    file.write_text("# old -> new\nthe sitting -> the session\n\na -> b -> c\n")
    assert golden_nights.read_texts(file) == {"the sitting": "the session", "a": "b -> c"}
    assert golden_nights.read_texts(None) == {}
