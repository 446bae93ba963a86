"""The command line: what it refuses, and how it says so."""

import json
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simulator.__main__ import main
from simulator.runs import RUNS


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments, catch_exceptions=False)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("record", "quite-night"), "did you mean quiet-night"),
        (("serve", "zzz"), "there are: normal-night"),
        (("record", "slow", "--epoch", "yesterday"), "'yesterday' is not a date and time such as"),
        (("record", "slow", "--epoch", "2026-11-24T18:00:00"), "does not say its offset from UTC"),
        (("dip", "slow", "--epoch", "0001-01-01T00:00:00Z"), "choose a year from 1971 to 9000"),
        (("record", "slow", "--hours", "0"), "0<x<=2000.0"),
        (("record", "slow", "--hours", "nan"), "nan is not a finite number"),
        (("record", "slow", "--poll", "inf"), "inf is not a finite number"),
        (("record", "slow", "--seed", "-1"), "0<=x<="),
        (("serve", "slow", "--speed", "nan"), "nan is not a finite number"),
        (("serve", "slow", "--tcp", "localhost"), "is not HOST:PORT"),
        (("serve", "slow", "--tcp", "localhost:70000"), "is not HOST:PORT"),
        (("serve", "slow", "--tcp", "localhost:0", "--link", "x"), "leave out --link or --tcp"),
        (("serve", "slow", "--serial", "a,b"), "must be printable ASCII without comma and semicolon"),
    ],
)
def test_a_bad_argument_is_refused_with_the_reason(arguments: tuple[str, ...], words: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert words in " ".join(result.stderr.split())


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    result = run("record", "slow", "--hours", "0.1", "--out", str(tmp_path / "no" / "file"))
    assert result.exit_code == 1
    assert f"cannot write {tmp_path}/no/file: No such file or directory" in result.stderr


def test_every_run_is_listed_with_what_it_shows() -> None:
    lines = run("runs").stdout.splitlines()
    assert [line.split(maxsplit=1) for line in lines] == [[r.name, r.summary] for r in RUNS.values()]


def test_a_recording_goes_to_stdout_or_to_a_file_alike(tmp_path: Path) -> None:
    options = ("record", "slow", "--seed", "4", "--hours", "0.5")
    out = tmp_path / "slow.jsonl"
    assert run(*options, "--out", str(out)).stdout == ""
    assert out.read_text() == run(*options).stdout


def test_a_recording_takes_the_names_the_pace_and_the_epoch_it_is_given() -> None:
    text = run(
        *("record", "slow", "--hours", "0.01", "--poll", "12", "--vat", "sedge", "--probe", "p2"),
        *("--epoch", "2026-12-01T00:00:00.25+01:00"),
    ).stdout
    header, command, rows = (json.loads(line) for line in text.splitlines())
    start_us = round(datetime(2026, 11, 30, 23, tzinfo=UTC).timestamp()) * 1_000_000 + 250_000
    assert (header["vat"], header["probe"], header["poll_s"]) == ("sedge", "p2", 12.0)
    assert command["command"]["calibration"]["probe"] == "p2"
    assert rows["rows"]["at_us"] == [start_us, start_us + 12_000_000, start_us + 24_000_000]


def test_a_dip_was_made_a_day_before_the_run() -> None:
    dip = tomllib.loads(run("dip", "long-foam", "--seed", "2").stdout)
    assert dip["made_at"] == datetime(2026, 11, 23, 18, tzinfo=UTC)
    assert [point["buffer_ph"] for point in dip["point"]] == [4.01, 6.86, 9.18]
    assert {point["temperature_c"] for point in dip["point"]} == {25.0}
