"""Points of a session that was cut off."""

from pathlib import Path

import pytest

from logger.errors import RefusedError
from logger.guided.resume_file import ResumeFile
from tests.guided.factories import BEGIN_US, PH, SECOND_US, Person, task

HOUR_US = 3600 * SECOND_US


@pytest.fixture
def draft(tmp_path: Path) -> ResumeFile:
    return ResumeFile.beside(tmp_path / "log.sqlite", "marrow-probe")


def taken(draft: ResumeFile, count: int = 2) -> Person:
    person = Person(task(remember=draft.keep))
    person.take_all(tuple(PH.values())[:count])
    draft.keep(person.state.taken)
    return person


def test_the_points_come_back_as_they_were(draft: ResumeFile) -> None:
    person = taken(draft)
    assert draft.resumed(at_us=BEGIN_US + HOUR_US // 2) == person.state.taken


def test_points_of_more_than_an_hour_ago_are_not_gone_on_with(draft: ResumeFile) -> None:
    taken(draft)
    with pytest.raises(RefusedError, match="no session was cut off within the last hour"):
        draft.resumed(at_us=BEGIN_US + 2 * HOUR_US)


@pytest.mark.parametrize("text", ["", "[", "{}", '[{"point": 1}]', "\x00"])
def test_a_draft_that_cannot_be_read_is_none(draft: ResumeFile, text: str) -> None:
    assert draft.path is not None
    draft.path.write_text(text)
    assert draft.read(at_us=BEGIN_US) == ()


def test_a_dropped_draft_is_gone_and_nothing_else_lies_about(draft: ResumeFile, tmp_path: Path) -> None:
    taken(draft)
    draft.drop()
    draft.drop()
    assert (draft.read(at_us=BEGIN_US), list(tmp_path.iterdir())) == ((), [])


def test_a_store_that_is_no_file_has_no_draft() -> None:
    nowhere = ResumeFile.beside(None, "marrow-probe")
    nowhere.keep(())
    nowhere.drop()
    assert nowhere.read(at_us=BEGIN_US) == ()


def test_a_folder_that_cannot_be_written_to_is_no_reason_to_stop(tmp_path: Path) -> None:
    gone = ResumeFile.beside(tmp_path / "gone" / "log.sqlite", "marrow-probe")
    taken(gone)
    assert gone.read(at_us=BEGIN_US) == ()
