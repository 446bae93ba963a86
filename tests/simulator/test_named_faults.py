"""Named faults and disturbances: every one of them is documented, begins at its hour, and can be asked twice."""

import json
from functools import cache

import numpy as np
import pytest
from click.testing import CliRunner, Result

from logger.structs import replace
from simulator.__main__ import main
from simulator.effects import Effect, Occurrence
from simulator.named_faults import DISTURBANCES, FAULTS, disturbance, fault
from simulator.rig import Conversions, Rig
from simulator.runs import find_run
from tests.parts.named_faults import SOURING, with_effects

ALL = {**FAULTS, **DISTURBANCES}
BEGIN_H = 3.01
"""10836 s: not the begin of a minute, nor of a poll."""
RUN = replace(find_run("normal-night"), hours=5.0, vat=SOURING)
OF_THE_WIRE = {"hardware-error", "unplugged", "garbled", "slow"}
"""The converter holds what it would; what arrives is another matter (tests of the server and of recordings)."""
SECONDS = np.arange(0, 5 * 3600, 30)


@cache
def rig(name: str | None) -> Rig:
    if name is None:
        return Rig(RUN, 4)
    return Rig(with_effects(RUN, f"{name}@{BEGIN_H}"), 4)


def both(read: Conversions) -> np.ndarray:
    return np.array([read.potential_mv, read.temperature_c])


def same(a: np.ndarray, b: np.ndarray) -> bool:
    return np.array_equal(a, b, equal_nan=True)


def test_every_name_of_a_fault_or_disturbance_is_there_once() -> None:
    assert not FAULTS.keys() & DISTURBANCES.keys()
    assert all(name == effect.name for name, effect in ALL.items())


@pytest.mark.parametrize("name", ALL)
def test_before_its_hour_nothing_is_changed_and_after_it_something_is(name: str) -> None:
    plain, other = both(rig(None).conversions(SECONDS)), both(rig(name).conversions(SECONDS))
    before = SECONDS < BEGIN_H * 3600
    assert same(plain[:, before], other[:, before])
    assert same(plain, other) is (name in OF_THE_WIRE)
    assert len(rig(name).events) == (ALL[name].period is not None)


@pytest.mark.parametrize("name", ALL)
def test_what_is_read_depends_on_the_seed_and_the_second_alone(name: str) -> None:
    chosen = np.array([17_000, 11_111, 9_999, 14_000])
    again = Rig(rig(name).run, 4)
    alone = np.hstack([both(again.conversions(np.array([second]))) for second in chosen.tolist()])
    assert same(alone, both(rig(name).conversions(chosen)))


@pytest.mark.parametrize("name", ALL)
def test_the_vats_own_ph_is_touched_only_where_it_is_said(name: str) -> None:
    assert np.array_equal(rig(name).course.ph, rig(None).course.ph) is not ALL[name].moves_ph


@pytest.mark.parametrize("effect", ALL.values(), ids=ALL)
def test_each_is_listed_with_one_line_and_its_sizes_lie_within_their_ends(effect: Effect) -> None:
    lines = run("faults").stdout.splitlines()
    (line,) = [line for line in lines if line.split(maxsplit=1)[0] == effect.name]
    assert effect.summary in line
    assert ("SIZE" in effect.summary) is bool(effect.unit)
    assert not effect.unit or all(effect.least <= size <= effect.most for size in effect.sizes)


def test_after_its_end_the_vat_is_read_again() -> None:
    back = Rig(with_effects(RUN, "still-air@2-2.25:4", "rinse-glass@3-4"), 4)
    after = np.concatenate([np.arange(8_400, 10_800, 30), np.arange(14_700, 18_000, 30)])
    assert np.abs(both(back.conversions(after)) - both(rig(None).conversions(after))).max() < 0.11  # one step


def test_what_is_written_is_read() -> None:
    assert fault("offset") == Occurrence(effect=FAULTS["offset"], start_h=3.0, end_h=np.inf, size=25.0)
    assert fault("offset@1.5:-15") == Occurrence(effect=FAULTS["offset"], start_h=1.5, end_h=np.inf, size=-15.0)
    assert fault("frozen@2-4") == Occurrence(effect=FAULTS["frozen"], start_h=2.0, end_h=4.0, size=0.0)
    lye = disturbance("lye-spill@6")
    assert (lye.start_h, lye.end_h, lye.size) == (6.0, pytest.approx(6.0 + 1 / 3), 0.3)


@pytest.mark.parametrize(
    ("option", "words"),
    [
        ("--fault=still-eir", "no fault is named 'still-eir'; did you mean still-air"),
        ("--fault=zzzzz", "there are: still-air, "),
        ("--fault=mains-hum", "'mains-hum' is no fault: write it after --disturbance"),
        ("--disturbance=offset", "'offset' is no disturbance: write it after --fault"),
        ("--fault=offset@", "'offset@' is not NAME[@FROM[-TO]][:SIZE], such as still-air@3-3.5"),
        ("--fault=offset@two", "'two' is no number (run hours)"),
        ("--fault=offset@4-3", "it must begin at 0 h or later, and end after that"),
        ("--fault=offset:nan", "'nan' is no number (mV)"),
        ("--fault=offset:1e9", "offset: 1e9 is not from -1000 to 1000 mV"),
        (
            "--fault=frozen@14",
            "frozen begins at 14 h, and the run ends at 14 h: write frozen@HOUR with an earlier hour",
        ),
        ("--fault=frozen:2", "frozen takes no size: leave out :2"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_the_reason(option: str, words: str) -> None:
    result = run("record", "quiet-night", option)
    assert result.exit_code == 2
    assert words in " ".join(result.stderr.split())


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments, catch_exceptions=False, env={"COLUMNS": "200"})


def test_a_recording_with_options_is_the_same_twice_and_tells_the_truth_of_both() -> None:
    options = ("--fault", "still-air@0.1-0.2:4", "--fault", "unplugged@0.3", "--disturbance", "mains-hum:3")
    text = run("record", "quiet-night", "--hours", "0.5", *options).stdout
    assert text == run("record", "quiet-night", "--hours", "0.5", *options).stdout
    header, *_, rows = (json.loads(line) for line in text.splitlines())
    assert header["faults"] == [
        {"fault": "still-air", "from_us": 360_000_000, "until_us": 720_000_000, "size": 4.0, "unit": "C"},
        {"fault": "unplugged", "from_us": 1_080_000_000, "until_us": None},
    ]
    assert header["disturbances"] == [
        {"disturbance": "mains-hum", "from_us": 0, "until_us": None, "size": 3.0, "unit": "mV"}
    ]
    assert rows["rows"]["reason"] == [0] * 108 + [1] * 72


def test_without_options_a_recording_says_nothing_of_disturbances() -> None:
    header = json.loads(run("record", "quiet-night", "--hours", "0.1").stdout.splitlines()[0])
    assert (header["faults"], "disturbances" in header) == ([], False)


@pytest.mark.parametrize("command", ["serve", "record"])
def test_the_help_tells_faults_of_the_probe_from_those_of_the_wire(command: str) -> None:
    words = " ".join(run(command, "--help").stdout.split())
    assert "Fault of probe or instrument" in words
    assert "a healthy vat and instrument must bear" in words
    assert ("Fault of the wire" in words) is (command == "serve")
