"""`vatvigil export`."""

import csv
import io
import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from logger import recording
from logger.model import Block, Command, Outcome
from logger.report.csv_file import COLUMNS
from logger.store import Store, history
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.cli.cli_fixture import SECOND_US, House, now_us
from tests.store.factories import bits

START_US = 1_795_543_200 * SECOND_US
"""2026-11-24T18:00:00Z."""
SERIES = [145.0, 145.2, 190.4, 145.1, None, None, 145.3, 145.2, 118.0, 118.1, 118.2]


@pytest.fixture
def house(tmp_path: Path) -> House:
    """A vat with a spike, a gap, an alarm, an acknowledgement and two calibrations."""
    house = House(folder=tmp_path)
    with house.watch() as watching:
        watching.take([144.9], first_us=START_US - 10 * SECOND_US)
        watching.calibrate(START_US)
        watching.take(SERIES, first_us=START_US)
        assert house.do("alarms", "ack", "marrow", "ph-high", "--wait", "0", "--by", "tova").exit_code == 0
        watching.take([118.0, 118.1], first_us=START_US + 110 * SECOND_US)
        watching.calibrate(START_US + 130 * SECOND_US)
        watching.take([118.0, 118.2], first_us=START_US + 130 * SECOND_US)
    return house


def table(text: str) -> list[dict[str, str]]:
    """Read a CSV."""
    return list(csv.DictReader(io.StringIO(text)))


def test_every_record_is_a_line_with_its_values_as_they_were_stored(house: House) -> None:
    rows = table(house.do("export", "marrow").stdout)
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        (span,) = history.spans(store, vat="marrow")
        kept = next(history.measurements(store, span))
    assert [row["record"] for row in rows] == [str(n) for n in range(1, 17)]
    assert list(rows[0]) == list(COLUMNS)
    for name in ("potential_mv", "temperature_c"):
        told = [float(row[name]) if row[name] else np.nan for row in rows]
        np.testing.assert_allclose(told, getattr(kept, name), atol=0.000_05, rtol=0)  # 4 decimals
    for name, column, factor in (("ph", kept.ph, 1), ("u_ph", kept.u, 1), ("expanded_uncertainty_ph", kept.u, 2)):
        told = [float(row[name]) if row[name] else np.nan for row in rows]
        np.testing.assert_allclose(told, factor * column, atol=0.000_05)
    assert [row["calibration"] for row in rows] == [""] + ["1"] * 13 + ["2"] * 2
    assert {row["simulated"] for row in rows} == {"false"}


def test_a_record_is_told_in_words(house: House) -> None:
    rows = table(house.do("export", "marrow").stdout)
    (first, spike, absent) = rows[0], rows[3], rows[5]
    assert (first["time"], first["tests"]) == ("2026-11-24T17:59:50.000000Z", "uncalibrated unwitnessed")
    assert (spike["potential_mv"], spike["tests"], spike["quality"]) == (
        "190.4",
        "jump outside-buffers unwitnessed",
        "suspect",
    )
    assert (absent["quality"], absent["reason"], absent["ph"]) == ("missing", "no reply in time", "")


def test_the_spike_verdict_stands_beside_the_record_it_is_about(house: House) -> None:
    rows = table(house.do("export", "marrow").stdout)
    # QARTOD spike test: |x - (before + after) / 2|; suspect over 10 mV, fail over 40 mV (this project's limits).
    heights = {1: abs(145.0 - (144.9 + 145.2) / 2), 3: abs(190.4 - (145.2 + 145.1) / 2)}
    assert {n: heights[n] for n in heights} == {1: pytest.approx(0.05), 3: pytest.approx(45.25)}
    assert [row["spike"] for row in rows][:7] == ["not-evaluated", "pass", "suspect", "fail"] + ["not-evaluated"] * 3
    assert rows[-1]["spike"] == ""


def test_a_range_of_time_is_cut_and_its_last_record_still_has_its_spike_verdict(house: House) -> None:
    limits = ("--from", "2026-11-24T18:00:10Z", "--to", "2026-11-24T18:00:30+00:00")
    rows = table(house.do("export", "marrow", *limits).stdout)
    assert [(row["record"], row["spike"]) for row in rows] == [("3", "suspect"), ("4", "fail")]


def test_each_column_and_the_caution_stand_in_the_notes(house: House) -> None:
    head = [line for line in house.do("export", "marrow", "--notes").stdout.splitlines() if line.startswith("#")]
    assert [line[4:].partition(":")[0] for line in head[-len(COLUMNS) :]] == list(COLUMNS)
    assert "pH alone does not make food safe" in head[1]
    assert [line.split(",")[0] for line in head if line.startswith("# Calibration")] == [
        "# Calibration 1 of marrow-probe",
        "# Calibration 2 of marrow-probe",
    ]


def replayed(house: House, text: bytes) -> Outcome:
    """Carry a fresh watch over a recording, all in one block."""
    _, items = recording.read(io.BytesIO(text), name="it")
    found = list(items)
    (vat,) = house.config.vats
    watch = Watch(vat=vat, probe=house.config.probe(vat.probe))
    block = Block.concatenate([item for item in found if isinstance(item, Block)])
    commands = [item for item in found if isinstance(item, Command)]
    return pipeline.step(watch, pipeline.fresh(watch), block, commands=commands)[1]


def test_a_recording_replayed_makes_the_same_log_to_the_bit(house: House) -> None:
    text = house.do("export", "marrow", "--format", "recording").stdout_bytes
    outcome = replayed(house, text)
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        (span,) = history.spans(store, vat="marrow")
        assert bits(outcome.measurements) == bits(next(history.measurements(store, span)))
    assert [(e.seq, e.cause, e.by) for e in outcome.entries if e.cause == "acknowledged"] == [
        (13, "acknowledged", "tova")
    ]
    assert json.loads(text.splitlines()[0]) == {
        "recording": 1,
        "simulated": False,
        "vat": "marrow",
        "probe": "marrow-probe",
        "poll_s": 10.0,
        "run": "",
        "seed": None,
    }


def test_a_recording_from_the_middle_begins_with_the_calibration_then_in_force(house: House) -> None:
    limits = ("--from", "2026-11-24T18:01:00Z", "--to", "2026-11-24T18:01:30Z")
    outcome = replayed(house, house.do("export", "marrow", "--format", "recording", *limits).stdout_bytes)
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        (span,) = history.spans(store, vat="marrow")
        kept = next(history.measurements(store, replace(span, first=8, last=10)))
    assert outcome.measurements.seq.tolist() == [8, 9, 10]
    np.testing.assert_array_equal(outcome.measurements.ph, kept.ph)


def test_a_file_is_written_whole_and_none_that_exists_is_touched(house: House, tmp_path: Path) -> None:
    out = tmp_path / "log.csv"
    assert house.do("export", "marrow", "--out", str(out)).stdout == ""
    whole = out.read_bytes()
    assert len(table(whole.decode())) == 16
    again = house.do("export", "marrow", "--out", str(out))
    assert (again.exit_code, again.stderr) == (
        1,
        f"Error: {out} exists already and is left as it is: name another file\n",
    )
    assert out.read_bytes() == whole
    nowhere = house.do("export", "marrow", "--out", str(tmp_path / "absent" / "log.csv"))
    assert (nowhere.exit_code, "cannot be written" in nowhere.stderr) == (1, True)


def test_a_full_disk_is_told_and_leaves_no_half_file(house: House, tmp_path: Path) -> None:
    with house.watch() as watching:
        watching.take_at_once([118.0] * 1000, first_us=START_US + 200 * SECOND_US)
    out = tmp_path / "log.csv"
    command = [sys.executable, "-m", "logger", "export", "marrow", "-c", str(house.path), "--out", str(out)]
    limited = ["bash", "-c", 'ulimit -f 64; trap "" XFSZ; exec "$@"', "_", *command]  # 64 KiB a file
    result = subprocess.run(limited, capture_output=True, text=True, check=False)
    sentence = f"{out} could not be finished and was removed (File too large): free some space, or write elsewhere"
    assert (result.returncode, result.stderr) == (1, f"Error: {sentence}\n")
    assert not out.exists()


@pytest.mark.parametrize("form", ["csv", "recording"])
def test_standard_output_that_takes_no_more_is_told(house: House, form: str) -> None:
    command = [sys.executable, "-m", "logger", "export", "marrow", "-c", str(house.path), "--format", form]
    with Path("/dev/full").open("wb") as full:
        result = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert result.stderr == (
        "Error: standard output could not be written (No space left on device): free some space, or write elsewhere\n"
    )
    assert result.returncode == 1


@pytest.mark.parametrize("form", ["csv", "recording"])
def test_a_reader_that_goes_away_ends_it_quietly(house: House, form: str) -> None:
    with house.watch() as watching:
        watching.take_at_once([118.0] * 3000, first_us=START_US + 200 * SECOND_US)
    command = f"{sys.executable} -m logger export marrow -c {house.path} --format {form} | head -n 1"
    result = subprocess.run(command, shell=True, capture_output=True, text=True, check=True)  # noqa: S602 - our own words
    assert (len(result.stdout.splitlines()), result.stderr) == (1, "")


def test_a_bar_is_shown_where_somebody_can_see_it_and_nothing_else_is_changed(house: House) -> None:
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "logger", "export", "marrow", "-c", str(house.path)]
    try:
        shown = subprocess.run(command, stdout=subprocess.PIPE, stderr=theirs, check=True)
        said = os.read(ours, 65536)
    finally:
        os.close(ours)
        os.close(theirs)
    assert b"records" in said
    assert table(shown.stdout.decode()) == table(house.do("export", "marrow").stdout)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("marow",), "the configuration has no vat 'marow'; did you mean 'marrow'?"),
        (("marrow", "--from", "2030-01-01T00:00:00Z"), "vat marrow has no record in that time"),
        (("marrow", "--probe", "p2"), "vat marrow has no record of p2, only of marrow-probe"),
    ],
)
def test_where_there_is_nothing_to_export_it_says_why(house: House, arguments: tuple[str, ...], sentence: str) -> None:
    result = house.do("export", *arguments)
    assert (result.exit_code, result.stdout) == (1, "")
    assert sentence in result.stderr


def test_a_vat_without_records_says_who_makes_them(tmp_path: Path) -> None:
    house = House(folder=tmp_path)
    with house.watch():
        pass
    assert "the daemon (`vatvigil run`) makes them" in house.do("export", "marrow").stderr


def test_simulated_records_say_so_in_the_notes_and_on_every_line(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more="[simulation]\n")
    with house.watch() as watching:
        watching.take([145.0, 145.1], first_us=START_US)
    assert house.do("export", "marrow", "--notes").stdout.splitlines()[1] == (
        "# SIMULATED: nothing here is a measurement of a real vat."
    )
    text = house.do("export", "marrow").stdout
    assert [row["simulated"] for row in table(text)] == ["true", "true"]
    first, *_ = house.do("export", "marrow", "--format", "recording").stdout.splitlines()
    assert json.loads(first)["simulated"] is True


def test_a_batch_is_written_from_its_start_to_its_end(house: House) -> None:
    with house.watch() as watching:
        house.do("batch", "start", "marrow", "--lot", "N-17", "--wait", "0")
        watching.take([118.3, 118.4], first_us=now_us())
        later_us = now_us() + 60 * SECOND_US
        house.do("batch", "end", "marrow", "--wait", "0")
        watching.take([118.0], first_us=later_us)
    rows = table(house.do("export", "--batch", "N-17").stdout)
    assert [float(row["potential_mv"]) for row in rows] == [118.3]
    raw = house.do("export", "--batch", "marrow", "--format", "recording").stdout_bytes
    header, _ = recording.read(io.BytesIO(raw), name="it")
    assert header.vat == "marrow"


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        ((), 2, "name either VAT or --batch NAME"),
        (("marrow", "--batch", "x"), 2, "name either VAT or --batch NAME"),
        (("--batch", "x", "--from", "22:00"), 2, "a batch has its own begin and end"),
        (("--batch", "nix"), 1, "there is no batch 'nix'"),
    ],
)
def test_a_batch_that_is_not_there_or_not_alone_is_refused(
    house: House, arguments: tuple[str, ...], code: int, sentence: str
) -> None:
    result = house.do("export", *arguments)
    assert (result.exit_code, sentence in " ".join(result.stderr.split())) == (code, True)
