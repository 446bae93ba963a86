"""`vatvigil calibration`."""

import subprocess
import sys
from datetime import UTC, datetime
from math import log
from pathlib import Path

import numpy as np
import pytest
from scipy import constants, stats

from logger.guided.storing import keep_calibration
from logger.measure.calibration import fit
from logger.store import Store, queries
from logger.structs import replace
from tests.cli.cli_fixture import POINTS as HOUSE_POINTS
from tests.cli.cli_fixture import SECOND_US, House, answering, now_us

POINTS = ("--point", "6.865:6.1:25", "--point", "4.005:174.2:25")
FILE = """made_at = 2026-10-01T08:00:00Z
by = "tova"
[[point]]
buffer_ph = 6.88
potential_mv = 7.4
temperature_c = 20.0
[[point]]
buffer_ph = 4.00
potential_mv = 172.1
temperature_c = 21
"""


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(folder=tmp_path)


def written(house: House, text: str) -> str:
    """Write a file of points; return its name."""
    (house.folder / "dip.toml").write_text(text)
    return str(house.folder / "dip.toml")


def stored(house: House) -> list[int]:
    """Return the ids of what is stored."""
    with Store.open(house.config.store_url, simulated=house.config.simulated, read_only=True) as store:
        return [one.calibration.id for one in queries.calibrations(store, "marrow-probe")]


def test_the_line_is_that_of_an_independent_fit(house: House) -> None:
    # Against scipy's regression of E on k(T) (7 - pH), k by the constants of CODATA.
    told = house.json("calibration", "add", "marrow-probe", "--from", written(house, FILE))["calibration"]
    kelvin = np.array([293.15, 294.15])
    k = log(10) * constants.R * kelvin / constants.value("Faraday constant") * 1000
    line = stats.linregress(k * (7 - np.array([6.88, 4.00])), [7.4, 172.1])
    assert told["slope"] == pytest.approx(line.slope, rel=1e-9)
    assert told["offset_mv"] == pytest.approx(line.intercept, rel=1e-6)
    assert (told["made_at"], told["by"], told["low_ph"]) == ("2026-10-01T08:00:00.000000Z", "tova", 4.0)


def test_a_missing_store_is_made_and_the_command_waits_for_the_first_run(house: House) -> None:
    told = house.json("calibration", "add", "marrow-probe", *POINTS)
    assert (told["calibration"]["id"], told["asked"]["taken"]) == (1, False)
    with house.watch() as watching:
        watching.take([145.0], first_us=now_us())
        state = watching.acquisition.watched["marrow-probe"].state
    assert state.carry.electrode.calibration is not None
    assert state.carry.electrode.calibration.id == 1


def test_a_running_daemon_puts_it_in_force_at_once(house: House) -> None:
    with answering(house):
        asked = house.json("calibration", "add", "marrow-probe", *POINTS, "--wait", "20")["asked"]
    assert (asked["applied"], asked["text"][:22]) == (True, "calibration 1 in force")
    (told,) = house.json("calibration", "list", "marrow-probe")["calibrations"]
    assert (told["in_force"], told["accepted"]) == (True, True)


def test_the_doubt_told_is_that_of_the_record_the_daemon_then_makes(house: House) -> None:
    told = house.json("calibration", "add", "marrow-probe", *POINTS, "--made-at", "2026-10-01T08:00:00Z")["calibration"]
    fresh = told["fresh_reading"]
    k25 = log(10) * constants.R * 298.15 / constants.value("Faraday constant") * 1000
    at_4_6_mv = told["offset_mv"] + told["slope"] * k25 * 2.4
    with house.watch() as watching:
        at_us = int(datetime(2026, 10, 1, 8, tzinfo=UTC).timestamp()) * 1_000_000
        watching.take([at_4_6_mv], first_us=at_us)
        rows = queries.latest(watching.store, "marrow-probe")
    # The record was taken at 20 C, not 25 C: the difference is below the last digit that is told.
    assert fresh["expanded_uncertainty_ph"] == pytest.approx(2 * float(rows.u[-1]), abs=0.002)
    assert (fresh["ph"], fresh["temperature_c"], fresh["coverage_factor"]) == (4.6, 25.0, 2)


def test_what_a_person_reads_names_slope_offset_residual_buffers_and_uncertainty(house: House) -> None:
    result = house.do("calibration", "add", "marrow-probe", *POINTS)
    lines = result.stdout.splitlines()
    assert [line for line in lines if len(line) > 80] == []
    assert [line.split()[0] for line in lines[1:6]] == ["Slope", "Offset", "Residual", "Buffers", "Uncertainty"]
    assert "99.4% of the Nernst slope" in lines[1]


def test_the_simulators_own_dip_is_taken_by_a_simulated_house_and_refused_by_a_real_one(tmp_path: Path) -> None:
    command = [sys.executable, "-P", "-m", "simulator", "dip", "normal-night", "--out", str(tmp_path / "dip.toml")]
    subprocess.run(command, check=True)
    (tmp_path / "real").mkdir()
    (tmp_path / "simulated").mkdir()
    arguments = ("calibration", "add", "marrow-probe", "--from", str(tmp_path / "dip.toml"))
    refused = House(folder=tmp_path / "real").do(*arguments)
    assert (refused.exit_code, refused.stdout) == (1, "")
    assert "these are a simulator's figures, the configuration watches real vats" in refused.stderr
    assert list((tmp_path / "real").iterdir()) == [tmp_path / "real" / "vatvigil.toml"]
    simulated = House(folder=tmp_path / "simulated", more="[simulation]\n")
    told = simulated.json(*arguments)
    assert (told["simulated"], told["calibration"]["by"]) == (True, "simulated person")
    assert 0.9 < told["calibration"]["slope"] < 1.0


def test_a_simulated_house_takes_an_unmarked_file_with_a_word(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more="[simulation]\n")
    result = house.do("calibration", "add", "marrow-probe", "--from", written(house, FILE))
    assert (result.exit_code, result.stdout.splitlines()[0][:9]) == (0, "SIMULATED")
    assert "does not say simulated = true" in result.stderr


@pytest.mark.parametrize(
    ("points", "sentence"),
    [
        (("--point", "6.865:6.1:25", "--point", "6.86:6.0:25"), "was the same buffer dipped twice?"),
        (("--point", "6.865:nan:25", "--point", "4.005:174.2:25"), "a value that is no number"),
        (("--point", "6.865:6.1:250", "--point", "4.005:174.2:25"), "check the units"),
        (tuple(text for ph in range(1, 7) for text in ("--point", f"{ph}:0:25")), "1 to 5 buffer points, not of 6"),
    ],
)
def test_points_that_make_no_line_are_refused_and_nothing_is_made(
    house: House, points: tuple[str, ...], sentence: str
) -> None:
    result = house.do("calibration", "add", "marrow-probe", *points)
    assert (result.exit_code, result.stdout) == (1, "")
    assert sentence in result.stderr
    assert not (house.folder / "log.sqlite").exists()


@pytest.mark.parametrize(
    ("points", "sentence"),
    [
        (("--point", "6.865:174.2:25", "--point", "4.005:6.1:25"), "Buffers swapped"),
        (("--point", "6.865:106.1:25", "--point", "4.005:274.2:25"), "Offset +98.2 mV at pH 7, beyond 60"),
        (("--point", "6.865:3.2:25", "--point", "4.005:71.0:25"), "cracked, dry or dirty bulb"),
    ],
)
def test_a_calibration_that_no_working_electrode_gives_is_kept_but_never_comes_into_force(
    house: House, points: tuple[str, ...], sentence: str
) -> None:
    house.do("calibration", "add", "marrow-probe", *POINTS)
    result = house.do("calibration", "add", "marrow-probe", *points)
    assert result.exit_code == 1
    assert sentence in " ".join(result.stdout.split())
    assert result.stderr == "Calibration 2 is refused: it is kept for the record, never applied.\n"
    with house.watch() as watching:
        watching.take([145.0], first_us=now_us())
        state = watching.acquisition.watched["marrow-probe"].state
    assert state.carry.electrode.calibration is not None
    assert state.carry.electrode.calibration.id == 1
    told = house.json("calibration", "list", "marrow-probe")["calibrations"]
    assert [(one["accepted"], one["in_force"]) for one in told] == [(True, True), (False, False)]


def test_one_buffer_sets_the_offset_and_says_whose_slope_it_is(house: House) -> None:
    result = house.do("calibration", "add", "marrow-probe", "--point", "6.865:6.1:25")
    assert result.exit_code == 0
    assert "One buffer sets only the offset" in " ".join(result.stdout.split())


def test_what_the_one_in_force_reads_in_the_buffers_is_kept_as_found(house: House) -> None:
    house.do("calibration", "add", "marrow-probe", *POINTS)
    house.do("calibration", "add", "marrow-probe", "--point", "6.865:8.1:25", "--point", "4.005:176.2:25")
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        checks = queries.checks(store, "marrow-probe")
    # 2 mV more on a line of 58.7762 mV a pH (168.1 mV over 2.86 pH, by hand) is 0.0340 pH lower
    assert [(c.kind, c.calibration, c.passed) for c in checks] == [("as-found", 1, True)] * 2
    assert [c.deviation_ph for c in checks] == pytest.approx([-2 / 58.7762] * 2, abs=1e-5)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("made_at = 2026-10-01T08:00:00Z", "", "made_at: it is missing"),
        ("2026-10-01T08:00:00Z", "2026-10-01T08:00:00", "made_at: a time with its offset from UTC is wanted"),
        ("2026-10-01T08:00:00Z", '"yesterday"', "made_at: a time with its offset from UTC is wanted"),
        ("2026-10-01T08:00:00Z", "2900-10-01T08:00:00Z", "would be made in the future"),
        ('by = "tova"', "by = 3", "by: a text is wanted"),
        ('by = "tova"', 'buy = "tova"', "buy: there is no such key; did you mean 'by'?"),
        ('by = "tova"', "simulated = 1", "simulated: true or false is wanted"),
        ("buffer_ph = 6.88", "bufer_ph = 6.88", "point 1: bufer_ph: there is no such key; did you mean 'buffer_ph'?"),
        ("buffer_ph = 6.88", "", "point 1: buffer_ph: it is missing; write buffer_ph = 25.0, say, without quotes"),
        ("172.1", '"172.1"', "point 2: potential_mv: '172.1' is no number"),
        ("172.1", "inf", "point 2: potential_mv: inf is no number"),
        ("172.1", "true", "point 2: potential_mv: True is no number"),
        ("172.1", "1" + "0" * 400, "is no number"),
        ("172.1", "1" + "0" * 5000, "this is no TOML"),
        ("[[point]]", "[point]", "this is no TOML"),
        ('by = "tova"', "by = ", "this is no TOML"),
        ("buffer_ph = 6.88", 'buffer = "nist-fosfate"', "point 1: there is no buffer 'nist-fosfate'; did you mean"),
        ("buffer_ph = 6.88", "buffer = 6.88", "point 1: buffer: a text is wanted"),
        (
            "buffer_ph = 6.88",
            'buffer_ph = 6.88\nbuffer = "nist-phosphate"',
            "point 1: buffer and buffer_ph: one of them",
        ),
        ("buffer_ph = 6.88", "buffer_ph = 6.88\nlot = 7", "point 1: lot: a text is wanted"),
        ("buffer_ph = 6.88", 'buffer_ph = 6.88\nsettle_s = "long"', "point 1: settle_s: 'long' is no number"),
    ],
)
def test_each_fault_of_a_file_is_named_with_its_key_and_remedy(house: House, old: str, new: str, sentence: str) -> None:
    name = written(house, FILE.replace(old, new))
    result = house.do("calibration", "add", "marrow-probe", "--from", name)
    assert (result.exit_code, result.stdout) == (1, "")
    assert sentence in result.stderr
    assert not (house.folder / "log.sqlite").exists()


def test_every_fault_of_a_file_is_told_at_once(house: House) -> None:
    result = house.do("calibration", "add", "marrow-probe", "--from", written(house, "by = 1\npoint = []\n"))
    keys = [line.partition("dip.toml: ")[2].partition(":")[0] for line in result.stderr.splitlines()]
    assert keys == ["by", "point"]


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("add", "marow-probe", *POINTS), 1, "the configuration has no probe 'marow-probe'; did you mean"),
        (("add", "marrow-probe"), 2, "give either --from FILE or --point"),
        (("add", "marrow-probe", *POINTS, "--from", "x"), 2, "give either --from FILE or --point"),
        (("add", "marrow-probe", "--from", "absent.toml"), 1, "it cannot be read (No such file or directory)"),
        (("add", "marrow-probe", "--point", "6.86;6.1"), 2, "'6.86;6.1' is not pH:mV:Celsius"),
        (("add", "marrow-probe", *POINTS, "--made-at", "noon"), 2, "'noon' is no time such as 22:00"),
    ],
)
def test_what_cannot_be_added_is_refused(house: House, arguments: tuple[str, ...], code: int, sentence: str) -> None:
    result = house.do("calibration", *arguments)
    assert (result.exit_code, result.stdout) == (code, "")
    assert sentence in " ".join(result.stderr.split())
    assert not (house.folder / "log.sqlite").exists()


def test_calibrations_are_listed_oldest_first_and_none_is_replaced(house: House) -> None:
    for made_at in ("2026-10-02T08:00:00Z", "2026-10-01T08:00:00Z"):
        house.do("calibration", "add", "marrow-probe", *POINTS, "--made-at", made_at, "--by", "tova", "--wait", "0")
    assert stored(house) == [1, 2]
    lines = house.do("calibration", "list", "marrow-probe").stdout.splitlines()
    assert [line for line in lines if len(line) > 80] == []
    assert lines[0] == "  1  2026-10-02 08:00:00 UTC slope 99.4%, offset -1.8 mV, residual 0.0 mV, pH"


def unused(
    house: House, *, at_us: int, electrode: str = "", probe: str = "marrow-probe", potential_mv: float = 1
) -> int:
    """Store a calibration that nobody put in force, each point so much off the house's; return its number."""
    points = [replace(point, potential_mv=point.potential_mv + potential_mv) for point in HOUSE_POINTS]
    made = fit(points, probe=probe, at_us=at_us, by="tova", electrode=electrode)
    with Store.open(house.config.store_url, simulated=house.config.simulated, migrate=True) as store:
        return keep_calibration(store, made, is_wanted=False, at_us=at_us, by="tova").calibration.id


def test_one_that_was_not_put_in_force_is_listed_and_used_later_by_a_running_daemon(house: House) -> None:
    made_us = now_us() - 3600 * SECOND_US
    with answering(house):
        house.do("calibration", "add", "marrow-probe", *POINTS, "--made-at", "2026-10-01T08:00:00Z", "--wait", "20")
        number = unused(house, at_us=made_us)
        listed = house.do("calibration", "list", "marrow-probe").stdout.splitlines()
        assert "IN FORCE:" in listed[0]
        assert "accepted, never used:" in listed[-3]
        assert listed[-1] == "One that was never used: `vatvigil calibration use N` puts it in force."
        told = house.json("calibration", "use", str(number), "--wait", "20")
    assert (told["asked"]["applied"], told["calibration"]["id"]) == (True, number)
    assert told["asked"]["text"].startswith(f"calibration {number} in force")
    old, new = house.json("calibration", "list", "marrow-probe")["calibrations"]
    assert [(one["accepted"], one["in_force"], one["never_used"]) for one in (old, new)] == [
        (True, False, False),
        (True, True, False),
    ]
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        checks = queries.checks(store, "marrow-probe")
    # 1 mV more on a line of 58.7762 mV a pH (168.1 mV over 2.86 pH, by hand), when its buffers were read
    assert [check.deviation_ph for check in checks] == pytest.approx([-1 / 58.7762] * 2, abs=1e-5)
    assert {(check.calibration, check.at_us) for check in checks} == {(1, made_us)}


def test_without_a_daemon_it_waits_for_the_first_run_and_its_age_counts_from_the_buffers(house: House) -> None:
    made_us = now_us() - 9 * 86_400 * SECOND_US
    number = unused(house, at_us=made_us)
    result = house.do("calibration", "use", str(number), "--by", "tova")
    assert (result.exit_code, "the daemon has not taken it yet" in " ".join(result.stdout.split())) == (0, True)
    warned = " ".join(result.stderr.split())
    assert f"Warning: calibration {number} is 9 d 0 h old, so the alarm calibration-overdue will stand" in warned
    again = house.do("calibration", "use", str(number))
    assert (again.exit_code, "is in force already, or comes into force" in again.stderr) == (1, True)
    with house.watch() as watching:
        watching.take([145.0] * 70, first_us=now_us())  # its delay is 600 s
        state = watching.acquisition.watched["marrow-probe"].state
    assert state.carry.electrode.calibration is not None
    assert (state.carry.electrode.calibration.id, state.carry.electrode.calibration.at_us) == (number, made_us)
    assert state.carry.alarms["calibration-overdue"].abnormal


def test_one_that_was_replaced_is_used_again_with_a_word_of_how_it_was_found(house: House) -> None:
    with answering(house):
        house.do("calibration", "add", "marrow-probe", *POINTS, "--made-at", "2026-10-01T08:00:00Z", "--wait", "20")
        far = ("--point", "6.865:16.1:25", "--point", "4.005:184.2:25")
        house.do("calibration", "add", "marrow-probe", *far, "--made-at", "2026-10-02T08:00:00Z", "--wait", "20")
        result = house.do("calibration", "use", "1", "--wait", "20")
    assert (result.exit_code, "in force" in result.stdout) == (0, True)
    # 10 mV on 58.7762 mV a pH
    assert "calibration 1 was found off by -0.17 on 2026-10-02 08:00:00 UTC" in " ".join(result.stderr.split())
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        assert [check.calibration for check in queries.checks(store, "marrow-probe")] == [1, 1]  # nothing of the second
        (carry,) = queries.watches(store).values()
    assert carry.electrode.calibration is not None
    assert (carry.electrode.calibration.id, carry.electrode.found_ph) == (1, None)
    assert carry.electrode.estimate is not None
    assert not any(carry.electrode.estimate.steady.mean)
    report = house.do("check").stdout
    assert "1, made 2026-10-01 08:00:00 UTC" in " ".join(report.split())


def test_one_of_another_electrode_is_warned_of(tmp_path: Path) -> None:
    house = House(folder=tmp_path)
    house.path.write_text(house.path.read_text().replace("timeout_s = 1", 'timeout_s = 1\nelectrode = "E-2"'))
    number = unused(house, at_us=now_us(), electrode="E-1")
    result = house.do("calibration", "use", str(number))
    assert result.exit_code == 0
    assert f"calibration {number} is of electrode E-1, and the configuration has E-2" in " ".join(result.stderr.split())


def test_what_cannot_be_used_is_refused_and_nothing_is_put_in(house: House) -> None:
    other = unused(house, at_us=now_us(), probe="kale-probe")
    house.do("calibration", "add", "marrow-probe", "--point", "6.865:174.2:25", "--point", "4.005:6.1:25")
    for number, sentence in (
        (other, f"calibration {other} is of another probe, and the configuration has no probe 'kale-probe'"),
        (2, "calibration 2 was refused when it was made: Buffers swapped"),
        (3, "no calibration 3 is stored: `vatvigil calibration list PROBE` shows the numbers"),
        (2**63 - 1, f"no calibration {2**63 - 1} is stored"),
    ):
        result = house.do("calibration", "use", str(number))
        assert (result.exit_code, result.stdout) == (1, "")
        assert sentence in " ".join(result.stderr.split())
    for word in ("0", "-1", "two", str(2**63), "1e3"):
        assert house.do("calibration", "use", "--", word).exit_code == 2
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        assert queries.pending_commands(store) == []


def test_a_probe_that_is_not_known_is_named_when_listed(house: House) -> None:
    with house.watch():
        pass
    assert "did you mean 'marrow-probe'?" in house.do("calibration", "list", "marow-probe").stderr
    assert house.do("calibration", "list", "marrow-probe").stdout.startswith("No calibration of marrow-probe is stored")


def test_of_a_probe_that_reports_its_own_ph_what_it_said_in_the_buffers_is_taken(tmp_path: Path) -> None:
    own = House(folder=tmp_path, more='[probe.marrow-probe.scpi]\nph = "MEAS:PH?"\n')
    said = ("--point", "6.865:6.965:25", "--point", "4.005:4.105:25")
    told = own.json("calibration", "add", "marrow-probe", *said)["calibration"]
    # a probe that says 0.1 too much at every pH: the slope of an ideal electrode, its zero point 0.1 k(25 C) too low
    assert (told["slope"], told["offset_mv"]) == (pytest.approx(1.0), pytest.approx(-5.91593, abs=1e-3))
