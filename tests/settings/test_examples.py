"""Every file of config_examples, used for what it is an example of."""

import configparser
import os
import shutil
import signal
import subprocess
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import BinaryIO

import pytest

from logger.cli import _points
from logger.config import AlarmKind, CalibrationLimits, Parity, Priority, ProbeConfig, TargetConfig
from logger.measure import buffers
from logger.measure.calibration import fit
from logger.measure.calibration_acceptance import accept
from logger.model import Acceptance, AlarmState, Notification, State
from logger.mqtt.event import event_of
from logger.mqtt.vat_alarms import alarms_message, alarms_payload
from logger.probe.reader import readers
from logger.probe.textline import Description, TextReading
from logger.settings import load
from logger.structs import replace
from tests.mqtt.factories import MARROW, TOPICS
from tests.mqtt.test_event import ENTRY as EVENT
from tests.parts.mosquitto import MakeMosquitto, Subscriber
from tests.parts.waiting import wait_until

EXAMPLES = Path(__file__).parents[2] / "config_examples"


def test_every_example_is_tested() -> None:
    assert sorted(file.name for file in EXAMPLES.iterdir()) == [
        "calibration.toml",
        "hub_nobody_watches.yaml",
        "hub_wakes_me.yaml",
        "hub_wakes_me_again.yaml",
        "modbus.toml",
        "mosquitto-acl.conf",
        "points.toml",
        "simulator.toml",
        "text.toml",
        "vat.toml",
        "vatvigil-page.service",
        "vatvigil.service",
        "wake_without_hub.sh",
    ]


def test_the_simulator_s_example_loads_and_says_that_it_is_simulated() -> None:
    config = load(EXAMPLES / "simulator.toml", environ={})
    assert config.simulated
    second = {AlarmKind.DISAGREEMENT}  # where a vat has two probes
    assert {alarm.kind for alarm in config.vats[0].alarms} == set(AlarmKind.of_vats()) - second


def test_the_example_of_text_lines_loads_and_each_pattern_reads_its_line() -> None:
    asked, printing = load(EXAMPLES / "text.toml", environ={}).probes
    assert (asked.dtr, asked.data_bits, asked.parity) == (False, 7, Parity.EVEN)
    for probe in (asked, printing):
        assert probe.text is not None
        # The potential and the temperature of both lines, as they are written.
        read = Description(probe.text).decode(probe.text.example.encode())
        assert read == TextReading(potential_mv=171.2, temperature_c=20.1)


def test_the_vat_s_example_loads_where_its_files_are(tmp_path: Path) -> None:
    (tmp_path / "pw").write_text("invented\n")
    (tmp_path / "ca.pem").touch()
    text = (EXAMPLES / "vat.toml").read_text(encoding="utf-8")
    text = text.replace("/etc/vatvigil/mqtt_password", "pw").replace("/etc/vatvigil/broker_ca.pem", "ca.pem")
    (tmp_path / "vat.toml").write_text(text, encoding="utf-8")
    config = load(tmp_path / "vat.toml", environ={})
    alarms = {alarm.id: (alarm.setpoint, alarm.priority) for alarm in config.vats[0].alarms}
    assert not config.simulated
    # Defaults for a wild lactic ferment: claim 4.6, check the probe below 3.0,
    # soft band 16 to 24 C, hard band 10 to 30 C. Common practice, no source.
    assert alarms == {
        "ph-low": (3.0, Priority.MEDIUM),
        "rate-of-change": (0.5, Priority.MEDIUM),
        "rise": (0.1, Priority.MEDIUM),
        "slow-start": (66, Priority.MEDIUM),
        "no-start": (84, Priority.HIGH),
        "stall": (0.006, Priority.MEDIUM),
        "fall-broke-off": (25, Priority.LOW),
        "warm": (24, Priority.MEDIUM),
        "cool": (16, Priority.MEDIUM),
        "temperature-high": (30, Priority.HIGH),
        "temperature-low": (10, Priority.HIGH),
        "no-data": (None, Priority.HIGH),
        "blind": (None, Priority.HIGH),
        "early-rise": (0.15, Priority.MEDIUM),
        "trust-lost": (None, Priority.HIGH),
        "trust-doubted": (None, Priority.LOW),
        "no-calibration": (None, Priority.HIGH),
        "calibration-overdue": (None, Priority.MEDIUM),
        "check-overdue": (None, Priority.LOW),
        "cleaning-overdue": (None, Priority.LOW),
        "buffer-expired": (None, Priority.LOW),
        "drifted": (None, Priority.MEDIUM),
        "deadline-warning": (72, Priority.MEDIUM),
        "likely-late": (50, Priority.MEDIUM),
        "deadline": (120, Priority.HIGH),
        "claim-withdrawn": (None, Priority.HIGH),
        "unconfirmed": (None, Priority.MEDIUM),
        "above-target": (None, Priority.HIGH),
    }
    assert config.vats[0].target == TargetConfig()


def test_the_example_of_calibrations_loads_and_writes_out_the_defaults() -> None:
    config = load(EXAMPLES / "calibration.toml", environ={})
    (probe,) = config.probes
    assert (probe.electrode, probe.electrode_installed) == ("E-0042", date(2026, 9, 1))
    assert probe.calibration == CalibrationLimits()
    written = tomllib.loads((EXAMPLES / "calibration.toml").read_text(encoding="utf-8"))["probe"]["east-probe"]
    assert written["calibration"].keys() == {*CalibrationLimits.__struct_fields__}
    defaults = ProbeConfig(id="", port="")
    for key in ("check_tolerance_ph", "judge_tolerance_ph", "calibrate_every_d", "check_every_d"):
        assert written[key] == getattr(defaults, key)


def test_the_example_of_modbus_loads_and_two_of_its_probes_share_a_line() -> None:
    config = load(EXAMPLES / "modbus.toml", environ={})
    lines = readers(config.probes, simulated=False)
    assert [[reader.probe.id for reader in line] for line in lines] == [["left-probe", "right-probe"], ["far-probe"]]
    assert [probe.own_ph for probe in config.probes] == [False, True, False]


def test_the_example_s_shelf_holds_its_lots_and_its_own_buffer() -> None:
    shelf = buffers.shelf(load(EXAMPLES / "calibration.toml", environ={}).buffers)
    lots = {name: (shelf[name].lot, shelf[name].u_ph) for name in ("nist-phthalate", "nist-phosphate", "kitchen-9")}
    assert lots == {
        "nist-phthalate": ("A-118", pytest.approx(0.0115, abs=0.0001)),
        "nist-phosphate": ("A-121", 0.006),
        "kitchen-9": ("C-07", pytest.approx(0.0115, abs=0.0001)),
    }
    # Handbook values of borax (from memory): 9.27, 9.22, 9.18 and 9.14 at 15, 20, 25 and 30 C.
    assert [buffers.ph_at(shelf["kitchen-9"], t) for t in (15, 20, 25, 30)] == [9.27, 9.22, 9.18, 9.14]


def test_the_example_of_points_makes_an_accepted_calibration_in_the_buffers_it_names() -> None:
    shelf = buffers.shelf(load(EXAMPLES / "calibration.toml", environ={}).buffers)
    dip = _points.read(EXAMPLES / "points.toml", shelf)
    assert [(p.buffer, p.lot, p.settle_s) for p in dip.points] == [
        ("nist-phthalate", "A-118", 38.0),
        ("nist-phosphate", "A-122", None),
        ("", "", None),
    ]
    # NIST: 4.002 and 4.008 at 20 and 25 C, 6.881 and 6.865, 9.225 and 9.180.
    assert [p.buffer_ph for p in dip.points] == pytest.approx([4.0036, 6.877, 9.216], abs=0.001)
    assert [p.u_ph for p in dip.points] == pytest.approx([0.0115, 0.006, 0.0115], abs=0.0001)
    calibration = accept(fit(dip.points, probe="east-probe", at_us=0, by=dip.by), CalibrationLimits())
    assert (calibration.verdict, calibration.findings, len(calibration.segments)) == (Acceptance.ACCEPTED, (), 2)


@pytest.mark.parametrize("name", ["calibration.toml", "modbus.toml", "simulator.toml", "vat.toml"])
def test_an_example_explains_every_table_that_it_has(name: str) -> None:
    lines = (EXAMPLES / name).read_text(encoding="utf-8").splitlines()
    assert "pH alone does not make food safe" in " ".join(lines)
    assert tomllib.loads("\n".join(lines))
    assert sum(line.startswith("#") for line in lines) >= sum(line.startswith("[") for line in lines)


def unit(name: str = "vatvigil.service") -> configparser.SectionProxy:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign] # systemd's keys have capitals
    parser.read(EXAMPLES / name)
    assert parser["Unit"]["StartLimitIntervalSec"] == "0"
    return parser["Service"]


def test_the_unit_restarts_after_everything_but_a_wrong_configuration() -> None:
    service = unit()
    keys = ("Type", "Restart", "RestartPreventExitStatus", "NoNewPrivileges", "ProtectSystem", "StateDirectory")
    assert [service[key] for key in keys] == ["notify", "always", "2", "yes", "strict", "vatvigil"]
    assert float(service["WatchdogSec"]) > 0


def test_the_page_runs_as_the_watch_s_user_and_takes_nothing_from_the_watch() -> None:
    page, watch = unit("vatvigil-page.service"), unit()
    keys = ("User", "Group", "Restart", "RestartPreventExitStatus", "ProtectSystem")
    assert [page[key] for key in keys] == [watch[key] for key in keys]
    assert int(page["Nice"]) > 0
    assert page["MemoryMax"] == "200M"


@pytest.mark.parametrize("name", ["vatvigil.service", "vatvigil-page.service"])
def test_systemd_itself_accepts_the_unit_and_finds_it_well_confined(tmp_path: Path, name: str) -> None:
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("systemd-analyze not found: apt-get install systemd")
    text = (EXAMPLES / name).read_text(encoding="utf-8")
    copy = tmp_path / name
    copy.write_text(text.replace(unit(name)["ExecStart"].split()[0], "/bin/true"), encoding="utf-8")
    verified = subprocess.run([analyze, "verify", str(copy)], capture_output=True, text=True, check=False)
    assert (verified.returncode, verified.stderr) == (0, "")
    # systemd's own scale of exposure runs from 0 to 10; up to 2.0 it says OK. Threshold times ten.
    security = [analyze, "security", "--offline=true", "--threshold=20", "--no-pager", str(copy)]
    assert subprocess.run(security, capture_output=True, check=False).returncode == 0


def test_the_broker_s_rules_let_a_hub_command_a_display_look_and_a_stranger_do_nothing(
    mosquitto: MakeMosquitto,
) -> None:
    users = ("vatvigil", "hub", "display", "stranger")
    broker = mosquitto(passwords=dict.fromkeys(users, "pw"), acl=(EXAMPLES / "mosquitto-acl.conf").read_text())
    alarm, command = "vatvigil/vat/north/alarm/ph-high", "vatvigil/command/north/ph-high/acknowledge"

    def client(user: str) -> Subscriber:
        return Subscriber(port=broker.port, name=user, username=user, password="pw")  # noqa: S106 - of this test

    with client("vatvigil") as watch, client("hub") as hub, client("display") as display, client("stranger") as other:
        for forger in (other, display):
            forger.publish(command, forger.name)
            forger.publish(alarm, forger.name)
        hub.publish(alarm, "hub")
        watch.publish(alarm, "watch")
        hub.publish(command, "hub")
        wait_until(lambda: bool(watch.on(command) and display.on(command) and hub.on(alarm) and display.on(alarm)), 10)
        received = [one.on(topic) for one in (watch, hub, display, other) for topic in (alarm, command)]
    assert received == [[], ["hub"], ["watch"], ["hub"], ["watch"], ["hub"], [], []]


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("jq") is None, reason="jq not found: apt-get install jq")
def test_without_a_hub_the_script_tells_an_alarm_what_stands_and_silence(
    mosquitto: MakeMosquitto, tmp_path: Path
) -> None:
    broker, out = mosquitto(), tmp_path / "told"
    environment = {**os.environ, "PORT": str(broker.port), "SILENT": "4", "EVERY": "3", "TMPDIR": str(tmp_path)}
    stands = AlarmState(base=State.UNACKNOWLEDGED, occurrence=1, told=Notification(lines=("It stands.",)))
    event = event_of(
        replace(EVENT, annunciates=True, told=Notification(lines=("It came.", "Believed."))), simulated=False
    )
    low = event_of(replace(EVENT, annunciates=True, priority="low", text="low"), simulated=False)
    assert event is not None
    assert low is not None
    with (
        out.open("wb") as file,
        Subscriber(port=broker.port, name="watch", filters=("nothing",)) as watch,
        background([SH, str(EXAMPLES / "wake_without_hub.sh"), "127.0.0.1"], environment, file),
    ):
        wait_until(lambda: "SUBSCRIBE" in broker.log or broker.log.count("New client connected") >= 3, 10)
        for happened in (low, event):
            watch.publish(TOPICS.event("marrow"), happened.payload)
        wait_until(lambda: "It came. Believed." in out.read_text(), 10, out.read_text)
        watch.publish(TOPICS.heartbeat, "{}")
        alarms = alarms_message(
            TOPICS, MARROW, alarms_payload(MARROW, [(MARROW, {"ph-high": stands})], simulated=False)
        )
        watch.publish(alarms.topic, alarms.payload, retain=True)
        wait_until(lambda: out.read_text().count("It stands.") >= 2, 30, out.read_text)
        wait_until(lambda: "Nobody watches the vats" in out.read_text(), 20, out.read_text)
        watch.publish(alarms.topic, "", retain=True)
    assert "low" not in out.read_text()
    assert out.read_text().count("It came.") == 1


SH = shutil.which("sh") or "sh"


@contextmanager
def background(command: list[str], environment: dict[str, str], out: BinaryIO) -> Iterator[None]:
    """Run a command with all that it starts in a group of its own, and end that group."""
    process = subprocess.Popen(command, env=environment, stdout=out, start_new_session=True)
    try:
        yield
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(10)
