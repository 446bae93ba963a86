"""The table of topics in `vatvigil help mqtt` and its examples, against the schemas and against what is really sent."""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass

import jsonschema
import pytest

from logger import help as topics
from logger.mqtt.schemas import schema
from logger.mqtt.schemas.generate import KINDS
from tests.mqtt.factories import TOPICS, everything_sent

TEXT = topics.source("mqtt")
PLACES = {"<vat>": "[^/]+", "<alarm>": "[^/]+", "<probe>": "[^/]+", "<id>": "[a-zA-Z0-9_-]+"}
PLACES |= {"<component>": "[a-z_]+", "<prefix>": "homeassistant"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    topic: re.Pattern[str]
    qos: str
    retained: str
    schema: str


def rows() -> Iterator[Row]:
    """Yield what the table tells, each topic as the pattern that the real ones must match."""
    for cells in re.findall(r"^\| `(\S+)` \| (\d) \| (.+?) \| (.*?) \| .+ \|$", TEXT, re.MULTILINE):
        topic, qos, retained, link = cells
        pattern = re.sub("<[a-z]+>", lambda found: PLACES[found[0]], topic)
        whole = pattern if topic.startswith("<prefix>") else f"vatvigil/{pattern}"
        named = re.fullmatch(r"`([\w-]+)`", link)
        yield Row(topic=re.compile(whole), qos=qos, retained=retained, schema=named[1] if named else "")


def row_of(topic: str) -> Row:
    (found,) = [row for row in rows() if row.topic.fullmatch(topic)]
    return found


def examples() -> list[tuple[str, str]]:
    return re.findall(r"^    ((?:vatvigil|homeassistant)/\S+) (\{.+\})$", TEXT, re.MULTILINE)


def test_every_schema_has_its_row_and_every_row_its_example() -> None:
    assert {row.schema for row in rows()} - {""} == {kind.name for kind in KINDS}
    shown = [row_of(topic) for topic, _ in examples()]
    assert [row.topic.pattern for row in rows() if row.schema and row not in shown] == []


@pytest.mark.parametrize(("topic", "payload"), examples(), ids=[topic for topic, _ in examples()])
def test_each_example_is_what_its_schema_asks_for(topic: str, payload: str) -> None:
    jsonschema.Draft202012Validator(schema(row_of(topic).schema)).validate(json.loads(payload))


def test_whatever_is_sent_is_in_the_table_as_it_is_sent() -> None:
    messages = everything_sent()
    for message in messages:
        row = row_of(message.topic)
        assert (row.qos, row.retained.startswith("yes")) == ("1", message.retain)
        if message.payload:
            jsonschema.Draft202012Validator(schema(row.schema)).validate(json.loads(message.payload))
    unsent = {row.topic.pattern for row in rows()} - {row_of(message.topic).topic.pattern for message in messages}
    assert {pattern for pattern in unsent if "command/" not in pattern} == {"homeassistant/status"}


def test_whatever_is_heard_is_in_the_table() -> None:
    topics = [TOPICS.acknowledge("v", "a"), TOPICS.shelve("v", "a"), TOPICS.mark("v"), TOPICS.note("v")]
    topics += [
        TOPICS.spot("v"),
        TOPICS.acknowledge_all("v"),
        TOPICS.unshelve("v", "a"),
        TOPICS.batch("v"),
        TOPICS.birth or "",
    ]
    assert [row_of(topic).retained in ("never", "by the hub") for topic in topics] == [True] * len(topics)
    commands = [row for row in rows() if "command/" in row.topic.pattern]
    assert len(commands) == len(topics) - 1
