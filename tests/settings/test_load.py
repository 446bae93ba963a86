"""Files, environments and secret files that a user can write, and the configuration or the sentences they give."""

import os
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from logger.config import (
    AlarmConfig,
    AlarmKind,
    BufferConfig,
    CalibrationLimits,
    Config,
    ErrorModel,
    MqttConfig,
    Priority,
    ProbeConfig,
    QualityLimits,
    Simulation,
    VatConfig,
)
from logger.errors import ConfigurationError
from logger.settings import config_hash, load
from tests.settings.files import PROBE, STORE, VAT, WHOLE, complaints, loaded

EARLY = AlarmConfig(
    id="early-rise", kind=AlarmKind.EARLY_RISE, setpoint=0.15, deadband=0.05, on_delay_s=0.0, window_s=3600.0
)
NO_DATA = AlarmConfig(
    id="no-data", kind=AlarmKind.NO_DATA, on_delay_s=300.0, window_s=0.0, priority=Priority.HIGH, reminder_s=1800.0
)
BLIND = AlarmConfig(id="blind", kind=AlarmKind.BLIND, on_delay_s=1200.0, priority=Priority.HIGH, reminder_s=1800.0)
LOST, DOUBTED = (
    AlarmConfig(id=kind, kind=kind, on_delay_s=0.0, window_s=0.0, priority=priority, reminder_s=reminder_s)
    for kind, priority, reminder_s in (
        (AlarmKind.TRUST_LOST, Priority.HIGH, 1800.0),
        (AlarmKind.TRUST_DOUBTED, Priority.LOW, None),
    )
)
OWED = tuple(
    AlarmConfig(id=kind, kind=kind, on_delay_s=delay_s, window_s=0.0, priority=priority, reminder_s=reminder_s)
    for kind, delay_s, priority, reminder_s in (
        (AlarmKind.NO_CALIBRATION, 1800.0, Priority.HIGH, 1800.0),
        (AlarmKind.CALIBRATION_OVERDUE, 600.0, Priority.MEDIUM, None),
        (AlarmKind.CHECK_OVERDUE, 600.0, Priority.LOW, None),
        (AlarmKind.CLEANING_OVERDUE, 600.0, Priority.LOW, None),
        (AlarmKind.BUFFER_EXPIRED, 600.0, Priority.LOW, None),
        (AlarmKind.DRIFTED, 0.0, Priority.MEDIUM, None),
    )
)


def test_the_least_file_gets_defaults_and_the_alarms_that_are_always_there(file: Path) -> None:
    assert loaded(file, WHOLE) == Config(
        store_url=f"sqlite:///{file.parent}/log.sqlite",
        probes=(ProbeConfig(id="p", port="/dev/ttyUSB0"),),
        vats=(VatConfig(id="v", name="v", probe="p", alarms=(EARLY, NO_DATA, BLIND, LOST, DOUBTED, *OWED)),),
    )


def test_what_is_written_stands(file: Path) -> None:
    text = """
    [store]
    url = "postgresql://watch@db/log"
    [mqtt]
    host = "hub"
    port = 1884
    client_id = "watch"
    base_topic = "cellar"
    discovery_prefix = ""
    protocol = 311
    keepalive_s = 20
    heartbeat_s = 30
    [simulation]
    speed = 840
    epoch = 2030-05-01T20:00:00+02:00
    epoch_monotonic_s = 12.5
    [probe.p]
    port = "socket://127.0.0.1:5000"
    protocol = "scpi"
    poll_s = 5
    timeout_s = 1.5
    baud = 19200
    identity = "0007"
    limits.jump_mv = 30
    errors.junction_ph = 0.1
    calibration.slope_warn_low_percent = 93
    electrode = "E-0042"
    electrode_installed = 2026-09-01
    check_tolerance_ph = 0.04
    judge_tolerance_ph = 0.12
    calibrate_every_d = 5
    check_every_d = 2
    [buffer.kitchen-4]
    values = {"25" = 4.01, "20" = 4}
    u_ph = 0.01
    standard = "the label"
    lot = "B12"
    expires = 2027-01-31
    [buffer.nist-borax]
    lot = "C3"
    [vat.v]
    name = "Marrow & Söhne"
    probe = "p"
    max_shelve_s = 600
    probe_out_s = 60
    unsettled_s = 3600
    [vat.v.alarm.rise]
    kind = "ph-high"
    setpoint = 4.6
    deadband = 0.1
    on_delay_s = 60
    off_delay_s = 61
    window_s = 300
    priority = "low"
    latching = true
    realarm_s = 62
    reminder_s = 63
    [vat.v.alarm.temperature-low]
    setpoint = 10
    [vat.v.alarm.blind]
    on_delay_s = 900
    """
    rise = AlarmConfig(
        id="rise",
        kind=AlarmKind.PH_HIGH,
        setpoint=4.6,
        deadband=0.1,
        on_delay_s=60,
        off_delay_s=61,
        window_s=300,
        priority=Priority.LOW,
        latching=True,
        realarm_s=62,
        reminder_s=63,
    )
    cool = AlarmConfig(id="temperature-low", kind=AlarmKind.TEMPERATURE_LOW, setpoint=10, deadband=0.5)
    blind = AlarmConfig(id="blind", kind=AlarmKind.BLIND, on_delay_s=900, priority=Priority.HIGH, reminder_s=1800)
    assert loaded(file, text) == Config(
        store_url="postgresql://watch@db/log",
        probes=(
            ProbeConfig(
                id="p",
                port="socket://127.0.0.1:5000",
                poll_s=5,
                timeout_s=1.5,
                baud=19200,
                identity="0007",
                limits=QualityLimits(jump_mv=30),
                errors=ErrorModel(junction_ph=0.1),
                calibration=CalibrationLimits(slope_warn_low_percent=93),
                electrode="E-0042",
                electrode_installed=date(2026, 9, 1),
                check_tolerance_ph=0.04,
                judge_tolerance_ph=0.12,
                calibrate_every_d=5,
                check_every_d=2,
            ),
        ),
        vats=(
            VatConfig(
                id="v",
                name="Marrow & Söhne",
                probe="p",
                alarms=(rise, cool, blind, EARLY, NO_DATA, LOST, DOUBTED, *OWED),
                max_shelve_s=600,
                probe_out_s=60,
                unsettled_s=3600,
            ),
        ),
        mqtt=MqttConfig(
            host="hub",
            port=1884,
            client_id="watch",
            base_topic="cellar",
            discovery_prefix=None,
            protocol=311,
            keepalive_s=20,
            heartbeat_s=30,
        ),
        simulation=Simulation(
            speed=840,
            epoch_us=int(datetime(2030, 5, 1, 18, tzinfo=UTC).timestamp()) * 1_000_000,
            epoch_monotonic_s=12.5,
        ),
        buffers=(
            BufferConfig(
                id="kitchen-4",
                values_ph={20: 4.0, 25: 4.01},
                u_ph=0.01,
                standard="the label",
                lot="B12",
                expires=date(2027, 1, 31),
            ),
            BufferConfig(id="nist-borax", lot="C3"),
        ),
    )


def bad_files() -> list[tuple[str, list[str]]]:
    """The blocks of bad_files.txt: a file's text, and every sentence it must get."""
    _, *blocks = (Path(__file__).parent / "bad_files.txt").read_text(encoding="utf-8").split("====\n")
    tables = {"{store}\n": STORE, "{probe}\n": PROBE, "{vat}\n": VAT}
    cases = []
    for block in blocks:
        text, sentences = block.split("->\n")
        for mark, table in tables.items():
            text = text.replace(mark, table)
        cases.append((text, sentences.replace("{kinds}", ", ".join(AlarmKind.of_vats())).splitlines()))
    return cases


@pytest.mark.parametrize(("text", "sentences"), bad_files())
def test_a_bad_file_gets_sentences_with_key_value_reason_and_remedy(
    file: Path, text: str, sentences: list[str]
) -> None:
    assert complaints(file, text) == sentences


def test_all_problems_are_told_at_once_and_a_bad_value_hides_no_other(file: Path) -> None:
    text = WHOLE + '[mqtt]\nport = "x"\nhots = "y"\nprotocol = 4\n[vat.w]\nprobe = "r"\nalarm.ph-high.setpoint = 99\n'
    assert complaints(file, text) == [
        'FILE: mqtt.port = "x": a whole number is wanted; write it without quotes and without a decimal point',
        "FILE: mqtt.hots: there is no such key; did you mean 'host'?",
        'FILE: vat.w.probe = "r": there is no such probe; valid here: p',
        "FILE: vat.w.alarm.ph-high.setpoint = 99.0: this must lie between -2 and 16; write a number in that range",
        "FILE: mqtt.protocol = 4: there is no such protocol here; write 5, or 311 for MQTT 3.1.1",
    ]


def test_a_syntax_error_names_its_line(file: Path) -> None:
    assert complaints(file, WHOLE + "[mqtt\n") == [
        "FILE: this is not TOML: Expected ']' at the end of a table declaration (at line 7, column 6); repair that line"
    ]


def test_a_missing_file_is_an_error_and_not_an_empty_configuration(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"nowhere\.toml: there is no such file; name one with --config"):
        load(tmp_path / "nowhere.toml", environ={})
    with pytest.raises(ConfigurationError, match="is not a file; name one with --config"):
        load(tmp_path, environ={})


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"\xff\xfe", "FILE: byte 0 is not UTF-8; save the file as UTF-8"),
        (b"a = " + b"[" * 5000, "FILE: it is nested too deeply or holds an endless number; simplify it"),
        (b"a = " + b"1" * 5000, "FILE: it is nested too deeply or holds an endless number; simplify it"),
    ],
)
def test_a_file_that_is_no_text_of_ours_is_an_error(file: Path, content: bytes, sentence: str) -> None:
    file.write_bytes(content)
    with pytest.raises(ConfigurationError) as caught:
        load(file, environ={})
    assert str(caught.value).replace(str(file), "FILE") == sentence


@pytest.fixture
def nobody() -> Iterator[None]:
    """Be somebody who may not read everything, if the tests run as root."""
    before = os.geteuid()
    if before == 0:
        os.seteuid(65534)
    yield
    os.seteuid(before)


def test_a_file_that_may_not_be_read_is_an_error(file: Path, request: pytest.FixtureRequest) -> None:
    file.write_text(WHOLE)
    file.chmod(0)
    request.getfixturevalue("nobody")
    with pytest.raises(ConfigurationError, match="cannot be read"):
        load(file, environ={})


def test_the_environment_stands_over_the_file(file: Path) -> None:
    got = loaded(
        file,
        WHOLE + "[vat.v.alarm.ph-high]\nsetpoint = 4.6\n[buffer.nist-borax]\n",
        VATVIGIL_PROBE__P__POLL_S="7.5",
        VATVIGIL_PROBE__P__IDENTITY="0007",
        VATVIGIL_PROBE__P__LIMITS__JUMP_MV="25",
        VATVIGIL_VAT__V__ALARM__PH_HIGH__SETPOINT="4.2",
        VATVIGIL_VAT__V__ALARM__TEMPERATURE_LOW__SETPOINT="10",
        VATVIGIL_BUFFER__NIST_BORAX__EXPIRES="2027-01-31",
        VATVIGIL_BUFFER__OWN__VALUES__20="4.0",
        VATVIGIL_BUFFER__OWN__VALUES__25="4.01",
        VATVIGIL_MQTT__TLS="true",
        VATVIGIL_MQTT__PASSWORD="1234",  # noqa: S106 - only here
        VATVIGIL_SIMULATION__EPOCH="2030-05-01T18:00:00Z",
        VATVIGIL_CONFIG="somewhere",
        HOME="/root",
    )
    probe, alarms = got.probes[0], {alarm.id: alarm.setpoint for alarm in got.vats[0].alarms}
    assert (probe.poll_s, probe.identity, probe.limits.jump_mv) == (7.5, "0007", 25)
    assert alarms == {
        "ph-high": 4.2,
        "temperature-low": 10,
        "no-data": None,
        "blind": None,
        "early-rise": 0.15,
        "trust-lost": None,
        "trust-doubted": None,
        **{alarm.id: None for alarm in OWED},
    }
    assert got.buffers == (
        BufferConfig(id="nist-borax", expires=date(2027, 1, 31)),
        BufferConfig(id="own", values_ph={20: 4.0, 25: 4.01}),
    )
    assert got.mqtt == MqttConfig(tls=True, password="1234", client_id="vatvigil-simulated")  # noqa: S106 - a secret of this test only
    assert got.simulation == Simulation(epoch_us=1_903_888_800_000_000)


MISTAKES = [
    ("PROBE__P__POL_S", "3", "there is no such setting ('pol_s' is no key here); did you mean {}?"),
    ("MQT__HOST", "hub", "there is no such setting ('mqt' is no key here); did you mean VATVIGIL_MQTT__HOST?"),
    ("MQTT", "hub", "this names a table, not a value; name one key, parts joined by __"),
    ("MQTT__HOST__NAME", "hub", "a value has no parts; name one key, parts joined by __"),
    (
        "PROBE__P__POLL_S",
        "10 min",
        'probe.p.poll_s = "10 min": seconds as a number are wanted; write poll_s = 600',
    ),
    (
        "PROBE__P__POLL_S",
        "1\n[mqtt]",
        'probe.p.poll_s = "1\\n[mqtt]": seconds as a number are wanted; write a number without quotes',
    ),
]


@pytest.mark.parametrize(("name", "value", "sentence"), MISTAKES)
def test_a_mistake_in_the_environment_names_the_variable(file: Path, name: str, value: str, sentence: str) -> None:
    expected = f"environment VATVIGIL_{name}: {sentence}".replace("{}", "VATVIGIL_PROBE__P__POLL_S")
    assert complaints(file, WHOLE, **{f"VATVIGIL_{name}": value}) == [expected]


def test_the_hash_is_the_same_for_another_order_and_other_secrets(file: Path) -> None:
    mqtt = '[mqtt]\nusername = "w"\npassword = "{}"\n'
    second = '[probe.q]\nport = "/dev/ttyUSB1"\n[vat.w]\nprobe = "q"\n'
    one = config_hash(loaded(file, WHOLE + second + mqtt.format("a")))
    other = config_hash(loaded(file, mqtt.format("b") + second + VAT + PROBE + STORE))
    assert one == other
    assert len(one) == 64


def test_the_hash_is_another_when_a_setpoint_is(file: Path) -> None:
    hashes = {config_hash(loaded(file, WHOLE + f"alarm.ph-high.setpoint = {ph}\n")) for ph in (4.6, 4.2)}
    assert len(hashes) == 2
