import json

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.model import Cause, Command, CommandKind, Entry
from logger.mqtt.commands import LONGEST_BYTES, command_of
from logger.mqtt.messages import Incoming
from logger.mqtt.schemas import schema
from tests.mqtt.cellar import AT_US, CONFIG, TOPICS

ACKNOWLEDGE = TOPICS.acknowledge("marrow", "ph-high")
SHELVE = TOPICS.shelve("marrow", "ph-high")


def read(topic: str, payload: bytes, *, retain: bool = False) -> Command | Entry:
    return command_of(Incoming(topic, payload, retain), TOPICS, vats=CONFIG.vats, at_us=AT_US)


def refused(topic: str, payload: bytes, *, retain: bool = False) -> Entry:
    answer = read(topic, payload, retain=retain)
    assert isinstance(answer, Entry)
    assert (answer.cause, answer.at_us, answer.by) == (Cause.REFUSED, AT_US, "mqtt")
    return answer


@pytest.mark.parametrize("payload", [b'{"occurrence":3}', b' { "occurrence" : 3 } ', b"3", b" 3\n"])
def test_an_acknowledgement_carries_its_occurrence(payload: bytes) -> None:
    assert read(ACKNOWLEDGE, payload) == Command(
        id=0, at_us=AT_US, kind=CommandKind.ACKNOWLEDGE, vat="marrow", alarm="ph-high", occurrence=3, by="mqtt"
    )


@pytest.mark.parametrize(("payload", "seconds"), [(b'{"minutes":30}', 1800.0), (b'{"minutes":0.5}', 30.0)])
def test_shelving_is_told_in_minutes(payload: bytes, seconds: float) -> None:
    command = read(SHELVE, payload)
    assert isinstance(command, Command)
    assert (command.kind, command.duration_s, command.occurrence) == (CommandKind.SHELVE, seconds, None)


def test_shelving_may_name_the_occurrence_it_is_meant_for() -> None:
    command = read(SHELVE, b'{"minutes":30,"occurrence":2}')
    assert isinstance(command, Command)
    assert command.occurrence == 2


@pytest.mark.parametrize(
    ("topic", "payload", "says"),
    [
        ("vatvigil/command/marrow/ph-high/defrost", b"1", "expected <vat>/<alarm>/acknowledge"),
        ("vatvigil/command/marrow", b"1", "expected <vat>/<alarm>/acknowledge"),
        ("vatvigil/command/gone/ph-high/acknowledge", b"1", "there is no vat 'gone'"),
        ("vatvigil/command/marrow/gone/acknowledge", b"1", "vat marrow has no alarm 'gone'"),
        (ACKNOWLEDGE, b"", "it is empty"),
        (ACKNOWLEDGE, b"{}", "missing required field"),
        (ACKNOWLEDGE, b"yes", 'expected {"occurrence": 3}'),
        (ACKNOWLEDGE, b"true", 'expected {"occurrence": 3}'),
        (ACKNOWLEDGE, b"0", 'expected {"occurrence": 3}'),
        (ACKNOWLEDGE, b"-1", 'expected {"occurrence": 3}'),
        (ACKNOWLEDGE, b"3.5", 'expected {"occurrence": 3}'),
        (ACKNOWLEDGE, "٣".encode(), 'expected {"occurrence": 3}'),  # an Arabic digit is no JSON number
        (ACKNOWLEDGE, b"9" * 4000, 'expected {"occurrence": 3}'),
        (ACKNOWLEDGE, b'{"occurrence":3,"more":1}', "unknown field"),
        (ACKNOWLEDGE, b"[" * 4096, 'expected {"occurrence": 3}'),
        (ACKNOWLEDGE, b'{"occurrence":3', 'expected {"occurrence": 3}'),
        (ACKNOWLEDGE, b"\xff\xfe\x00\x01", 'expected {"occurrence": 3}'),
        (SHELVE, b"30", 'expected {"minutes": 30}'),
        (SHELVE, b'{"minutes":0}', 'expected {"minutes": 30}'),
        (SHELVE, b'{"minutes":-5}', 'expected {"minutes": 30}'),
        (SHELVE, b'{"minutes":NaN}', 'expected {"minutes": 30}'),
        (SHELVE, b'{"minutes":1e400}', 'expected {"minutes": 30}'),
        (SHELVE, b'{"minutes":1e9}', 'expected {"minutes": 30}'),
    ],
)
def test_what_is_no_command_is_refused_with_the_reason(topic: str, payload: bytes, says: str) -> None:
    assert says in refused(topic, payload).text


def test_a_retained_command_is_refused() -> None:
    entry = refused(ACKNOWLEDGE, b"3", retain=True)
    assert (entry.vat, entry.alarm) == ("marrow", "ph-high")
    assert "retained" in entry.text


def test_a_payload_of_4_kib_is_read_and_one_byte_more_is_not() -> None:
    assert isinstance(read(ACKNOWLEDGE, b"3".ljust(LONGEST_BYTES)), Command)
    assert "4097 bytes" in refused(ACKNOWLEDGE, b"3".ljust(LONGEST_BYTES + 1)).text


def test_a_refusal_repeats_nothing_raw_and_stays_short() -> None:
    text = refused("vatvigil/command/" + "\x1b[31m\u202e" * 5000, b"1").text
    assert text.isascii()
    assert text.isprintable()
    assert len(text) < 800


TOPIC = st.sampled_from([ACKNOWLEDGE, SHELVE, TOPICS.acknowledge("gone", "x")]) | st.text()
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.sampled_from(["occurrence", "minutes"]) | st.text(), inner),
)
PAYLOAD = st.binary() | JSON.map(lambda content: json.dumps(content).encode())


@given(topic=TOPIC, payload=PAYLOAD, retain=st.booleans())
def test_whatever_arrives_is_a_command_or_a_refusal(topic: str, payload: bytes, retain: bool) -> None:  # noqa: FBT001 - hypothesis passes arguments by name
    answer = read(topic, payload, retain=retain)
    if isinstance(answer, Entry):
        assert answer.text
        assert answer.text.isprintable()
        return
    assert not retain
    assert (answer.vat, answer.alarm, answer.id) == ("marrow", "ph-high", 0)
    jsonschema.Draft202012Validator(schema(answer.kind.value)).validate(json.loads(payload))


@given(occurrence=st.integers(1, 2**53))
def test_each_occurrence_is_read_as_it_was_written(occurrence: int) -> None:
    plain, named = read(ACKNOWLEDGE, b"%d" % occurrence), read(ACKNOWLEDGE, b'{"occurrence":%d}' % occurrence)
    assert plain == named
    assert isinstance(plain, Command)
    assert plain.occurrence == occurrence
