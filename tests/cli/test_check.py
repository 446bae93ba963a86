"""`vatvigil check`."""

import json
import os
import shlex
import subprocess
from pathlib import Path

import pytest

from logger.probe.reader import reader
from logger.store import Store
from tests.channels.factories import script
from tests.cli.cli_fixture import VAT, House, now_us
from tests.parts.mosquitto import MakeMosquitto, Mosquitto, Subscriber, free_port
from tests.parts.receiver import Receiver
from tests.parts.simulator import Start
from tests.parts.waiting import wait_until
from tests.probe.bus import served

SIMULATION = "[simulation]\nspeed = 1\n"


def findings(house: House, *, code: int = 0) -> dict[str, tuple[bool, str]]:
    """Return what was found, by the first word of what was tried."""
    told = house.json("check", code=code)
    assert told["ok"] is (code == 0)
    return {one["what"].split()[0]: (one["ok"], one["text"]) for one in told["findings"]}


def house_of(folder: Path, port: str, more: str = "") -> House:
    return House(folder=folder, port=port, more=SIMULATION + more)


def broker_table(broker: Mosquitto, protocol: int = 5, *, password: str = "salsify") -> str:  # noqa: S107 - a test's
    return (
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nprotocol = {protocol}\n'
        f'username = "watch"\npassword = "{password}"\n'
    )


def ready(house: House) -> None:
    """Make the store, with a calibration in it, as a daemon that ran would leave it."""
    with house.watch() as watching:
        watching.calibrate(now_us())
        watching.take([145.0], first_us=now_us())


def contents(folder: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in folder.iterdir() if entry.is_file()}


@pytest.mark.parametrize("protocol", [5, 311])
def test_when_all_is_well_it_says_so_and_leaves_nothing_changed(
    tmp_path: Path, simulator: Start, mosquitto: MakeMosquitto, protocol: int
) -> None:
    broker = mosquitto(passwords={"watch": "salsify", "looker": "on"}, persistent=True)
    house = house_of(tmp_path, simulator("normal-night").port, broker_table(broker, protocol))
    house.path.chmod(0o600)  # it holds the password
    ready(house)
    before = contents(tmp_path)
    everything = Subscriber(port=broker.port, username="looker", password="on")  # noqa: S106 - a test's
    with everything as looker:
        found = findings(house)
    assert {what: ok for what, (ok, _) in found.items()} == {
        "configuration": True,
        "probe": True,
        "store": True,
        "calibration": True,
        "broker": True,
    }
    assert found["probe"][1].endswith("C (VATVIGIL,SIMULATED ELECTRODE,SIM0001,0.1.0)")
    assert found["broker"][1] == f"127.0.0.1:{broker.port} accepts the connection"
    assert contents(tmp_path) == before
    assert looker.received == []
    client = f"vatvigil-simulated-check-{os.getpid()}"
    # mosquitto's log: c1 is a clean session (MQTT 5.0, 3.1.2.4; MQTT 3.1.1, 3.1.2.4), so none is left behind.
    assert f"as {client} (p{5 if protocol == 5 else 2}, c1, k30" in broker.log
    wait_until(lambda: f"Client {client} disconnected." in broker.log, 10)


def test_what_a_configuration_says_in_vain_is_told_and_is_no_fault(tmp_path: Path, simulator: Start) -> None:
    house = house_of(tmp_path, simulator("normal-night").port, "[vat.marrow.alarm.erratic]\non_delay_s = 600\n")
    ready(house)
    ok, told = findings(house)["no"]
    assert (ok, told.startswith("[vat.marrow.alarm.erratic] is no longer an alarm of its own: ")) == (True, True)
    assert "no longer used" in house.do("check").output


def test_files_that_others_may_open_are_told_with_what_to_run_and_left_as_they_are(tmp_path: Path) -> None:
    recorded = 'record_bytes = "heard [1].jsonl"\n'
    house = House(folder=tmp_path, more=SIMULATION, vats=recorded + VAT)
    text = house.path.read_text().replace("[store]\n", '[store]\nbackup_dir = "copies"\n')
    house.path.write_text(text)
    ready(house)
    with Store.open(house.config.store_url, simulated=True) as store:
        copy = store.backup(tmp_path / "copies", at_us=now_us())
    assert "files" not in findings(house, code=3)
    wide = [copy, tmp_path / "heard [1].jsonl", tmp_path / "log.sqlite"]
    wide[1].touch()
    for file in wide:
        file.chmod(0o640)
    ok, told = findings(house, code=3)["files"]
    assert not ok
    command = shlex.split(told.partition(": ")[2])
    assert command == ["chmod", "600", *map(str, wide)]
    assert [file.stat().st_mode & 0o777 for file in wide] == [0o640] * 3
    subprocess.run(command, check=True)
    assert "files" not in findings(house, code=3)


def test_a_wrong_password_is_told_by_its_remedy_and_never_printed(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto(passwords={"watch": "salsify"})
    house = house_of(tmp_path, "/dev/absent", broker_table(broker, password="hawthorn"))  # noqa: S106 - a test's
    ok, text = findings(house, code=3)["broker"]
    assert (ok, "check mqtt.username and the password" in text, "hawthorn" in text) == (False, True, False)


def test_a_broker_that_is_away_is_told(tmp_path: Path) -> None:
    house = house_of(tmp_path, "/dev/absent", f'[mqtt]\nhost = "127.0.0.1"\nport = {free_port()}\n')
    ok, text = findings(house, code=3)["broker"]
    assert (ok, text[:28]) == (False, "No connection to broker 127.")


def test_a_port_that_is_absent_is_told_without_a_next_try(tmp_path: Path) -> None:
    house = house_of(tmp_path, "/dev/absent-port")
    found = findings(house, code=3)
    assert found["probe"] == (False, "/dev/absent-port: there is no such port; check the cable and the path")
    assert found["store"] == (True, f"{tmp_path}/log.sqlite is not there yet; `vatvigil run` makes it")
    assert found["broker"][1].startswith("none is configured")
    assert [entry.name for entry in tmp_path.iterdir()] == ["vatvigil.toml"]


def test_a_port_that_the_daemon_reads_is_well_while_its_newest_record_is_fresh(
    tmp_path: Path, simulator: Start
) -> None:
    house = house_of(tmp_path, simulator("normal-night").port)
    ready(house)
    (probe,) = house.config.probes
    daemons = reader(probe, simulated=True)
    daemons.read(at_us=0, elapsed_us=0)
    try:
        ok, text = findings(house)["probe"]
        assert (ok, text[:34]) == (True, "held by the running daemon, whose ")
        with house.watch() as watching:
            watching.take([None], first_us=now_us())
        ok, text = findings(house, code=3)["probe"]
        assert (ok, text) == (False, f"{probe.port}: another program holds the port; close it")
    finally:
        daemons.close()


def test_a_real_house_refuses_a_simulated_instrument(tmp_path: Path, simulator: Start) -> None:
    house = House(folder=tmp_path, port=simulator("normal-night").port)
    ok, text = findings(house, code=3)["probe"]
    assert (ok, "simulat" in text.lower()) == (False, True)


def test_a_store_of_the_other_kind_is_told(tmp_path: Path) -> None:
    house = House(folder=tmp_path)
    ready(house)
    house.path.write_text(house.path.read_text() + SIMULATION)
    ok, text = findings(house, code=3)["store"]
    assert (ok, "was made for real vats, the configuration watches simulated ones" in text) == (False, True)


def test_a_probe_without_calibration_needs_one(tmp_path: Path) -> None:
    house = House(folder=tmp_path)
    with house.watch():
        pass
    ok, text = findings(house, code=3)["calibration"]
    assert (ok, text[:14]) == (False, "none is stored")


def test_a_wrong_configuration_exits_2(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more="[mqttt]\n")
    result = house.do("check")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("Configuration: ")


def test_the_table_fits_80_columns_and_says_that_it_is_simulated(tmp_path: Path) -> None:
    result = house_of(tmp_path, "/dev/absent").do("check")
    assert [line for line in result.stdout.splitlines() if len(line) > 80] == []
    assert result.stdout.startswith("SIMULATED")
    assert result.stderr == ""


def test_json_says_whether_it_is_simulated(tmp_path: Path) -> None:
    assert json.loads(house_of(tmp_path, "/dev/absent").do("check", "--json").stdout)["simulated"] is True


@pytest.mark.parametrize(
    ("broker", "when"),
    [("", "at once"), ('[mqtt]\nhost = "127.0.0.1"\nport = 1\n', "when the broker has not taken it for 5 s")],
)
def test_the_second_way_out_is_shown_and_not_taken(tmp_path: Path, broker: str, when: str) -> None:
    path = script(tmp_path, 'touch "$0.d/run"')
    house = house_of(tmp_path, "/dev/absent", f'{broker}[hook]\ncommand = ["{path}", "salsify"]\nafter_s = 5\n')
    found = findings(house, code=3)
    assert found["second"] == (
        True,
        f"{path} is run for an event of high priority {when}; not tried here, it would wake somebody",
    )
    assert ("only the second way out can tell of them" in found["broker"][1]) is (not broker)
    assert not (tmp_path / "hook.d/run").exists()


@pytest.mark.parametrize(
    ("broker", "when"),
    [("", "at once"), ('[mqtt]\nhost = "127.0.0.1"\nport = 1\n', "when the broker has not taken it for 60 s")],
)
def test_push_and_the_dead_man_are_shown_without_their_secrets_and_not_tried(
    tmp_path: Path, receiver: Receiver, broker: str, when: str
) -> None:
    address = f"127.0.0.1:{receiver.port}/salsify"
    push = f'[push]\nurls = ["json://{address}", "nosuch://salsify@hall"]\nonly_if_broker_fails = true\n'
    house = house_of(tmp_path, "/dev/absent", f'{broker}{push}[dead_man]\nurl = "http://{address}"\n')
    told = house.json("check", code=3)["findings"]
    found = {one["what"]: (one["ok"], one["text"]) for one in told}
    gets = "events of high priority, reminders, the morning summary and what is said of the target"
    told_of_first = f"json: {gets}, {when}; not tried here, `vatvigil rehearse` does"
    assert found["push service 1"] == (True, told_of_first)
    assert found["push service 2"][0] is False
    assert "nosuch: the library apprise does not know such an address" in found["push service 2"][1]
    assert found["dead man's switch"] == (
        True,
        "127.0.0.1 is asked every 300 s while all is well; not tried here, that would say that it is",
    )
    assert ("only push can tell of them" in found["broker"][1]) is (not broker)
    assert (receiver.tries, receiver.asked, "salsify" in str(told)) == (0, [], False)


def test_a_dead_probe_on_a_line_that_the_daemon_reads_is_told_apart_from_a_port_held_by_others(tmp_path: Path) -> None:
    registers = "potential = { number = 0 }, temperature = { number = 2 }"
    with served(tmp_path) as port:
        text = f'protocol = "modbus-rtu"\nmodbus = {{ address = 1, {registers} }}\n'
        other = f'[probe.other]\nport = "{port}"\ntimeout_s = 1\nprotocol = "modbus-rtu"\n'
        other += f'modbus = {{ address = 9, {registers} }}\n[vat.other]\nprobe = "other"\n[simulation]\n'
        house = House(folder=tmp_path, port=port, vats=f"{text}{VAT}", more=other)
        ready(house)
        daemons = reader(house.config.probe("marrow-probe"), simulated=True)
        daemons.read(at_us=0, elapsed_us=0)
        try:
            told = {row["what"]: (row["ok"], row["text"]) for row in house.json("check", code=3)["findings"]}
        finally:
            daemons.close()
    assert told["probe marrow-probe"][1].startswith("held by the running daemon")
    trouble = "the running daemon holds its port, but has no reading of it: it has not been read yet"
    assert told["probe other"] == (False, f"{trouble}; stop the daemon and check again")
