import json

import jsonschema
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from logger.model import Cause, Command, CommandKind, Entry
from logger.model.batch import Ingredient
from logger.model.batch_text import content_of
from logger.model.figures import LONGEST_TEXT
from logger.mqtt.commands import LONGEST_BYTES, STALE_S, AcknowledgeAll, SpotReport, command_of
from logger.mqtt.messages import Incoming, Receipt
from logger.mqtt.payloads import rfc3339
from logger.mqtt.schemas import schema
from logger.mqtt.topics import Topics
from tests.mqtt.factories import AT_US, CONFIG, TOPICS

BATCH = TOPICS.batch("marrow")
MARK, NOTE, SPOT = TOPICS.mark("marrow"), TOPICS.note("marrow"), TOPICS.spot("marrow")
ACKNOWLEDGE = TOPICS.acknowledge("marrow", "ph-high")
SHELVE, UNSHELVE = TOPICS.shelve("marrow", "ph-high"), TOPICS.unshelve("marrow", "ph-high")
ALL = TOPICS.acknowledge_all("marrow")


def read(topic: str, payload: bytes, *, retain: bool = False) -> Command | AcknowledgeAll | SpotReport | Entry:
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


def test_an_acknowledgement_of_what_never_came_is_for_the_alarm_to_answer() -> None:
    command = read(ACKNOWLEDGE, b'{"occurrence":0}')
    assert isinstance(command, Command)
    assert command.occurrence == 0


def test_an_entry_of_a_batch_is_carried_as_one_line() -> None:
    payload = {"entry": "ingredient", "fields": {"name": "Salz, gr\u00f6b", "mass_kg": 9.4}}
    command = read(BATCH, json.dumps(payload).encode())
    assert isinstance(command, Command)
    assert (command.kind, command.vat, command.by) == (CommandKind.BATCH, "marrow", "mqtt")
    assert content_of(command.note) == Ingredient(name="Salz, gr\u00f6b", mass_kg=9.4)


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        ({"entry": "ingredient", "fields": {"weight": 4}}, "an entry of kind ingredient has no field 'weight'"),
        ({"entry": "ingredient", "fields": {"name": "a\u202eb"}}, "what holds the character '\\u202e'"),
        ({"entry": "ingredient", "fields": {"mass_kg": -1}}, "mass must be at least"),
        ({"entry": "ingredient", "fields": {"mass_kg": "much"}}, "this is no entry of a batch"),
        ({"entry": "ingredient", "fields": {}}, "nothing is said in it"),
        ({"entry": "start", "fields": {"profile": "x"}}, "an entry of kind start does not come this way"),
        ({"entry": "song", "fields": {"name": "x"}}, "this is no entry of a batch"),
        ({"entry": "departure", "fields": {"disposition": "eat"}}, "disposition is one of release, reprocess"),
        ({"entry": "measurement", "fields": {"quantity": "pH", "value": 4.5}}, "is sent as a spot measurement"),
        ({"entry": "measurement", "fields": {"quantity": "salt", "value": 2, "unit": "C"}}, "salt is given in %"),
    ],
)
def test_what_is_no_entry_of_a_batch_is_refused_with_the_reason(payload: object, why: str) -> None:
    assert why in refused(BATCH, json.dumps(payload).encode()).text


@pytest.mark.parametrize("payload", [b"probe-out", b'{"mark":"probe-out"}', b' {"mark":"probe-out","minutes":null}\n'])
def test_a_mark_is_named(payload: bytes) -> None:
    assert read(MARK, payload) == Command(
        id=0, at_us=AT_US, kind=CommandKind.MARK, vat="marrow", note="probe-out", by="mqtt"
    )


def test_a_mark_may_tell_how_long_it_holds() -> None:
    command = read(MARK, b'{"mark":"probe-out","minutes":5}')
    assert isinstance(command, Command)
    assert command.duration_s == 300.0


def test_a_mark_may_tell_litres_or_hours() -> None:
    topped, started = read(MARK, b'{"mark":"topped-up","litres":4}'), read(MARK, b'{"mark":"started","hours_ago":3}')
    assert isinstance(topped, Command)
    assert (topped.note, topped.litres, topped.duration_s) == ("topped-up", 4.0, None)
    assert isinstance(started, Command)
    assert (started.note, started.litres, started.duration_s) == ("started", None, 10_800.0)


@pytest.mark.parametrize(
    ("payload", "text"),
    [
        (b"weights pushed down", "weights pushed down"),
        ('{"text":"Gl\u00e4ser gef\u00fcllt"}'.encode(), "Gläser gefüllt"),
        (b"4.7", "4.7"),
        ("\U0001f469\u200d\U0001f373 was here".encode(), "\U0001f469\u200d\U0001f373 was here"),
        (b"x" * LONGEST_TEXT, "x" * LONGEST_TEXT),
    ],
)
def test_a_note_is_one_line_of_text(payload: bytes, text: str) -> None:
    assert read(NOTE, payload) == Command(id=0, at_us=AT_US, kind=CommandKind.NOTE, vat="marrow", note=text, by="mqtt")


@pytest.mark.parametrize(
    ("payload", "ph", "u_ph", "instrument"),
    [
        (b"4.71", 4.71, 0.2, ""),
        (b'{"ph":4.71}', 4.71, 0.2, ""),
        (b'{"ph":4,"u":0.05,"instrument":"hand meter 2"}', 4.0, 0.05, "hand meter 2"),
    ],
)
def test_a_spot_measurement_tells_how_far_it_is_to_be_believed(
    payload: bytes, ph: float, u_ph: float, instrument: str
) -> None:
    assert read(SPOT, payload) == SpotReport(
        vat="marrow", at_us=AT_US, ph=ph, u_ph=u_ph, instrument=instrument, delivery=""
    )


def dated(shift_s: float) -> bytes:
    return f'{{"mark":"probe-out","at":"{rfc3339(AT_US + round(shift_s * 1e6))}"}}'.encode()


@pytest.mark.parametrize("shift_s", [-STALE_S, 0.0, STALE_S])
def test_what_was_asked_for_within_ten_minutes_is_taken(shift_s: float) -> None:
    assert isinstance(read(MARK, dated(shift_s)), Command)


@pytest.mark.parametrize(("shift_s", "says"), [(-STALE_S - 1, "10 min ago"), (3600.0, "60 min from now")])
def test_what_was_asked_for_long_ago_by_its_own_word_is_refused(shift_s: float, says: str) -> None:
    assert says in refused(MARK, dated(shift_s)).text


def test_a_note_is_never_stale_and_an_acknowledgement_is_by_its_occurrence_alone() -> None:
    assert isinstance(read(NOTE, b'{"text":"skimmed","at":"2020-01-01T00:00:00Z"}'), Command)
    assert isinstance(read(ACKNOWLEDGE, b'{"occurrence":3,"at":"2020-01-01T00:00:00Z"}'), Command)


def test_the_senders_clock_says_nothing_of_simulated_time() -> None:
    topics = Topics(root="simulated/vatvigil", simulated=True)
    incoming = Incoming(topics.mark("marrow"), dated(1e6))
    assert isinstance(command_of(incoming, topics, vats=CONFIG.vats, at_us=AT_US), Command)


def name_of(topic: str, payload: bytes, mid: int) -> str:
    incoming = Incoming(topic, payload, receipt=Receipt(mid, 1) if mid else None)
    command = command_of(incoming, TOPICS, vats=CONFIG.vats, at_us=AT_US)
    assert isinstance(command, Command)
    return command.delivery


def test_a_delivery_is_named_by_the_senders_time_or_else_by_number_and_words() -> None:
    assert name_of(MARK, dated(0.0), 7) == name_of(MARK, dated(0.0), 8)
    names = [
        name_of(MARK, dated(0.0), 7),
        name_of(MARK, dated(1.0), 7),
        name_of(TOPICS.mark("teasel"), dated(0.0), 7),
        name_of(MARK, b"probe-out", 7),
        name_of(MARK, b"probe-out", 8),
        name_of(MARK, b"probe-in", 7),
    ]
    assert len(set(names)) == len(names)
    assert name_of(MARK, b"probe-out", 0) == ""


@pytest.mark.parametrize(
    ("topic", "payload", "says"),
    [
        ("vatvigil/command/marrow/ph-high/defrost", b"1", "expected one of <vat>/<alarm>/acknowledge"),
        ("vatvigil/command/marrow/ph-high/note", b"1", "expected one of <vat>/<alarm>/acknowledge"),
        ("vatvigil/command/marrow/shelve", b"1", "expected one of <vat>/<alarm>/acknowledge"),
        ("vatvigil/command/marrow", b"1", "expected one of <vat>/<alarm>/acknowledge"),
        ("vatvigil/command/gone/note", b"hm", "there is no vat 'gone'"),
        (MARK, b"", "it is empty"),
        (MARK, b"Probe out", 'expected {"mark": "topped-up"'),
        (MARK, b"scrubbed", "or another of probe-out, probe-in, stirred, topped-up, started"),
        (MARK, b'{"mark":"started","minutes":5}', "'minutes' does not go with started"),
        (MARK, b'{"mark":"stirred","hours_ago":1}', "'hours_ago' goes with started"),
        (MARK, b'{"mark":"topped-up","litres":0}', 'expected {"mark": "topped-up"'),
        (MARK, b"\xff", 'expected {"mark": "topped-up"'),
        (MARK, b'{"mark":"probe-out","minutes":0}', 'expected {"mark": "topped-up"'),
        (MARK, b'{"mark":"probe-out","at":"2026-11-25T02:10:00"}', "'at' needs its time zone"),
        (MARK, b'{"mark":"probe-out","at":"yesterday"}', 'expected {"mark": "topped-up"'),
        (NOTE, b"  ", "expected"),
        (NOTE, b"two\nlines", "holds the character '\\n'"),
        (NOTE, b"\x1b[31mred", "holds the character '\\x1b'"),
        (NOTE, "\u202eback".encode(), "holds the character '\\u202e'"),
        (NOTE, "a\u2028b".encode(), "holds the character '\\u2028'"),
        (NOTE, b'{"text":"\\u0000"}', "holds the character '\\x00'"),
        (NOTE, b'{"text":"\\ud800"}', "expected"),
        (NOTE, b"x" * (LONGEST_TEXT + 1), "expected"),
        (NOTE, b"\xff\xfe", "expected"),
        (NOTE, b"{half", "expected"),
        (SPOT, b"four", 'expected {"ph": 4.71'),
        (SPOT, b"NaN", 'expected {"ph": 4.71'),
        (SPOT, b"0", 'expected {"ph": 4.71'),
        (SPOT, b"14", 'expected {"ph": 4.71'),
        (SPOT, b'{"ph":4.7,"u":0}', 'expected {"ph": 4.71'),
        (SPOT, b'4.7,"u":0.001', 'expected {"ph": 4.71'),
        (SPOT, b'4.7}{"ph":4.8', 'expected {"ph": 4.71'),
        (SPOT, b'{"ph":4.7,"instrument":"a\\u0007"}', "holds the character '\\x07'"),
        ("vatvigil/command/gone/ph-high/acknowledge", b"1", "there is no vat 'gone'"),
        ("vatvigil/command/marrow/gone/acknowledge", b"1", "vat marrow has no alarm 'gone'"),
        (ACKNOWLEDGE, b"", "it is empty"),
        (ACKNOWLEDGE, b"{}", "missing required field"),
        (ACKNOWLEDGE, b"yes", 'expected {"occurrence": 3}'),
        (ACKNOWLEDGE, b"true", 'expected {"occurrence": 3}'),
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


KNOWN = [ACKNOWLEDGE, ALL, SHELVE, UNSHELVE, MARK, NOTE, SPOT]
TOPIC = st.sampled_from([*KNOWN, TOPICS.acknowledge("gone", "x")]) | st.text()
KEYS = st.sampled_from(
    [
        "occurrence",
        "occurrences",
        "ph-high",
        "minutes",
        "mark",
        "text",
        "ph",
        "u",
        "instrument",
        "at",
        "litres",
        "hours_ago",
    ]
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.just("probe-out"),
    lambda inner: st.lists(inner) | st.dictionaries(KEYS | st.text(), inner),
)
PAYLOAD = st.binary() | JSON.map(lambda content: json.dumps(content).encode())


@given(topic=TOPIC, payload=PAYLOAD, retain=st.booleans())
@example(topic=ALL, payload=b'{"occurrences":{"ph-high":3,"no-data":1}}', retain=False)
@example(topic=UNSHELVE, payload=b"{}", retain=False)
def test_whatever_arrives_is_a_command_or_a_refusal(topic: str, payload: bytes, retain: bool) -> None:  # noqa: FBT001 - hypothesis passes arguments by name
    answer = read(topic, payload, retain=retain)
    if isinstance(answer, Entry):
        assert answer.text
        assert answer.text.isprintable()
        return
    assert not retain
    verb = "acknowledge-all" if topic == ALL else topic.rpartition("/")[2]
    for asked in answer.commands if isinstance(answer, AcknowledgeAll) else (answer,):
        assert asked.vat == "marrow"
    if payload.strip().startswith(b"{"):  # else it was said bare
        jsonschema.Draft202012Validator(schema(verb)).validate(json.loads(payload))
    if isinstance(answer, Command):
        assert (answer.kind, answer.id, answer.alarm) == (verb, 0, "" if verb in ("mark", "note") else "ph-high")
        assert all(
            character.isprintable() or character in "\u200c\u200d\xa0" or character.isspace()
            for character in answer.note
        )


@given(occurrence=st.integers(1, 2**53))
def test_each_occurrence_is_read_as_it_was_written(occurrence: int) -> None:
    plain, named = read(ACKNOWLEDGE, b"%d" % occurrence), read(ACKNOWLEDGE, b'{"occurrence":%d}' % occurrence)
    assert plain == named
    assert isinstance(plain, Command)
    assert plain.occurrence == occurrence
