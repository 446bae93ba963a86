"""What became of what a person said, against its schema."""

from typing import Any

import pytest

from logger.model import Answer, Cause, CheckKind, Command, CommandKind, Entry
from logger.mqtt import said
from tests.mqtt.factories import AT_US, TOPICS, read_payload
from tests.series import check


def command(kind: CommandKind, **more: Any) -> Command:  # noqa: ANN401 - fields of Command
    return Command(id=7, at_us=AT_US, kind=kind, **{"vat": "marrow", "by": "mqtt", **more})


TOPPED_UP = command(CommandKind.MARK, note="topped-up", litres=4.0)


def spot(instrument: str) -> Command:
    made = check(-0.03, reference_ph=4.71, kind=CheckKind.SPOT, vat="marrow", instrument=instrument)
    return command(CommandKind.CHECK, vat="", check=made)


@pytest.mark.parametrize(
    ("asked", "text", "value"),
    [
        (TOPPED_UP, "topped-up, 4 L", {"litres": 4.0}),
        (command(CommandKind.NOTE, note="skimmed"), "note 'skimmed'", {"note": "skimmed"}),
        (spot("meter"), "spot pH 4.71 by meter", {"meter": 4.71}),
        (spot("strip"), "spot pH 4.71 by strip", {"strip": 4.71}),
        (spot("hand meter"), "spot pH 4.71 by hand meter", {}),
        (command(CommandKind.MARK, note="stirred"), "stirred", {}),
        (command(CommandKind.ACKNOWLEDGE, alarm="ph-high"), "acknowledge ph-high", {}),
    ],
)
def test_what_is_taken_shows_what_was_entered_and_then_the_same_without_it(
    asked: Command, text: str, value: dict[str, Any]
) -> None:
    shown, bare = said.taken(TOPICS, asked, at_us=AT_US)
    assert (shown.topic, shown.retain) == ("vatvigil/vat/marrow/said", False)
    plain = {"vat": "marrow", "at": "2026-11-25T02:10:00.123456Z", "answer": "taken", "text": text, "simulated": False}
    assert read_payload(shown.payload, "said") == {**plain, **value}
    assert (bare and read_payload(bare.payload, "said")) == (plain if value else None)


@pytest.mark.parametrize(("applied", "word"), [(True, "done"), (False, "refused")])
def test_what_the_watch_made_of_it_is_told_with_the_reason(*, applied: bool, word: str) -> None:
    answer = Answer(command=7, seq=1, applied=applied, text="why")
    content = read_payload(said.answered(TOPICS, TOPPED_UP, answer, at_us=AT_US).payload, "said")
    assert (content["answer"], content["text"]) == (word, "topped-up, 4 L: why")
    assert "litres" not in content


def test_what_never_became_a_command_is_refused_where_it_was_said() -> None:
    entry = Entry(seq=0, at_us=AT_US, vat="marrow", cause=Cause.REFUSED, text="refused: it is empty.")
    message = said.refused(TOPICS, entry)
    assert message.topic == "vatvigil/vat/marrow/said"
    content = read_payload(message.payload, "said")
    assert (content["answer"], content["text"]) == ("refused", "refused: it is empty.")
    assert said.refused(TOPICS, Entry(seq=0, at_us=AT_US, vat="", cause=Cause.REFUSED, text="no")).topic == (
        "vatvigil/system/said"
    )
