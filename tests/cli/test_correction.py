"""`vatvigil correction`, and what it does to `export` and `status`."""

import csv
import io
from pathlib import Path

import pytest

from logger.report.csv_file import COLUMNS, CORRECTED_COLUMNS
from logger.store import Store, history, queries
from tests.cli.cli_fixture import House, now_us
from tests.cli.electrode_history import DAY_US, PROBE, calibrate
from tests.store.factories import bits

BY = ("--by", "tova", "--why", "found off")


@pytest.fixture
def house(tmp_path: Path) -> House:
    """Two calibrations eight days apart: the first was found 0.08 and 0.02 off by the second."""
    house, first_us = House(folder=tmp_path), now_us() - 9 * DAY_US
    with house.watch() as watching:
        first = calibrate(watching, first_us, 0.98)
        for day in (2, 4, 6):
            watching.take([145.0], first_us=first_us + day * DAY_US)
        calibrate(watching, first_us + 8 * DAY_US, 0.97, old=first, found=(0.08, 0.02))
        watching.take([145.0, None], first_us=now_us() - 10_000_000)
    return house


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in io.StringIO(text) if not line.startswith("#")))


def records(house: House) -> dict[str, list[int]]:
    """Every bit of the log."""
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        (span,) = history.spans(store, vat="marrow")
        return bits(next(history.measurements(store, span)))


def test_each_calibration_is_listed_with_how_it_was_found(house: House) -> None:
    first, second = house.json("correction", "list", PROBE)["intervals"]
    assert [d["deviation_ph"] for d in first["deviations"]] == [0.08, 0.02]
    assert (first["calibration"], first["days"], first["correction"]) == (1, 8.0, None)
    assert (second["calibration"], second["until"], second["deviations"]) == (2, None, [])
    said = " ".join(house.do("correction", "list", PROBE).stdout.split())
    assert "(8.0 days) found +0.080 at pH 4.008 (u 0.015), +0.020 at pH 6.865 (u 0.015)" in said
    assert "now (in force) not rechecked yet" in said


def test_a_correction_stands_beside_what_was_published_until_it_is_revoked(house: House) -> None:
    before, published = records(house), house.do("export", "marrow").stdout
    stored = house.json("correction", "apply", PROBE, "--calibration", "1", *BY)["correction"]
    assert (stored["by"], stored["why"], stored["calibration"], stored["revokes"]) == ("tova", "found off", 1, None)

    plain, told = (rows(house.do("export", "marrow", *more).stdout) for more in ((), ("--corrected",)))
    assert plain == rows(published)
    assert list(told[0]) == [*COLUMNS, *CORRECTED_COLUMNS]
    assert [{name: row[name] for name in COLUMNS} for row in told] == plain
    # By hand: at the published pH r the deviation is e(r), 0.08 at 4.008 and 0.02 at 6.865, so a + b pH with
    # b = -0.06 / 2.857 and a = 0.08 - 4.008 b; a quarter of it after 2 of 8 days: pH = (r - a / 4) / (1 + b / 4) ...
    b = -0.06 / 2.857
    a = 0.08 - 4.008 * b
    for row, w in zip(told, (0.25, 0.5, 0.75), strict=False):
        assert float(row["ph_corrected"]) == pytest.approx((float(row["ph"]) - w * a) / (1 + w * b), abs=2e-4)
        assert (row["correction"], float(row["u_corrected"]) < float(row["u_ph"]) + 0.001) == ("1", True)
    assert [row["ph_corrected"] for row in told[3:]] == ["", ""]

    house.json("correction", "revoke", PROBE, "--calibration", "1", "--by", "brina", "--why", "stale buffer")
    assert {row["ph_corrected"] for row in rows(house.do("export", "marrow", "--corrected").stdout)} == {""}
    assert records(house) == before
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        assert [(one.by, one.revokes) for one in queries.corrections(store, PROBE)] == [("tova", None), ("brina", 1)]


def test_export_and_status_say_that_a_correction_exists(house: House) -> None:
    assert "Correction" not in house.do("export", "marrow").stdout
    assert house.json("status")["vats"][0]["corrections"] == []
    assert house.do("correction", "apply", PROBE, "--calibration", "1", *BY).exit_code == 0
    head = [
        line
        for line in house.do("export", "marrow", "--notes").stdout.splitlines()
        if line.startswith("# Correction 1 of")
    ]
    assert len(head) == 1
    assert "by tova: found off" in head[0]
    (sentence,) = house.json("status")["vats"][0]["corrections"]
    assert f"# {sentence}" == head[0]
    assert "Corrections" in house.do("status").stdout


def test_a_reason_of_several_lines_is_refused(house: House) -> None:
    why = "found off\n2026-01-01T00:00:00Z,marrow,injected"
    refused = house.do("correction", "apply", PROBE, "--calibration", "1", "--by", "tova", "--why", why)
    assert (refused.exit_code, refused.stderr) == (
        1,
        "Error: why holds the character '\\n': write one line of plain text\n",
    )


def test_the_list_says_what_is_in_force_and_what_was_revoked(house: House) -> None:
    applied = " ".join(house.do("correction", "apply", PROBE, "--calibration", "1", *BY).stdout.split())
    assert applied.startswith("In force: Correction 1 of the records of calibration 1, ")
    assert "IN FORCE: Correction 1 of" in " ".join(house.do("correction", "list", PROBE).stdout.split())
    revoked = house.do("correction", "revoke", PROBE, "--calibration", "1", "--by", "brina", "--why", "stale buffer")
    assert revoked.stdout == "Correction 1 is revoked by brina: stale buffer.\n"
    said = " ".join(house.do("correction", "list", PROBE).stdout.split())
    assert ("IN FORCE" in said, "Correction 1 was revoked by brina: stale buffer" in said) == (False, True)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("apply", PROBE, "--calibration", "9", *BY), "has no accepted calibration 9; it has 1, 2: see"),
        (("apply", PROBE, "--calibration", "2", *BY), "how calibration 2 was found in the end is not known"),
        (("revoke", PROBE, "--calibration", "1", *BY), "no correction of calibration 1 is in force"),
        (
            ("apply", PROBE, "--calibration", "1", "--by", " ", "--why", "x"),
            "needs a name and a reason: give --by NAME",
        ),
        (("apply", PROBE, "--calibration", "1", "--by", "tova", "--why", ""), "needs a name and a reason"),
        (("apply", "marow-probe", "--calibration", "1", *BY), "no probe 'marow-probe'; did you mean 'marrow-probe'?"),
        (("list", "marow-probe"), "no probe 'marow-probe'; did you mean 'marrow-probe'?"),
        (("apply", PROBE, "--calibration", "1", "--by", "tova", "--why", "a\0b"), "cannot be stored"),
    ],
)
def test_what_cannot_be_done_is_refused_and_stores_nothing(
    house: House, arguments: tuple[str, ...], sentence: str
) -> None:
    result = house.do("correction", *arguments)
    assert (result.exit_code, result.stdout) == (1, "")
    assert sentence in result.stderr
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        assert queries.corrections(store, PROBE) == []


def test_a_correction_is_applied_once(house: House) -> None:
    assert house.do("correction", "apply", PROBE, "--calibration", "1", *BY).exit_code == 0
    again = house.do("correction", "apply", PROBE, "--calibration", "1", *BY)
    assert (again.exit_code, "correction 1 of calibration 1 is in force: revoke it first" in again.stderr) == (1, True)


def test_a_recording_has_no_corrected_columns(house: House) -> None:
    result = house.do("export", "marrow", "--format", "recording", "--corrected")
    assert (result.exit_code, "--corrected is for --format csv only" in result.stderr) == (2, True)


def test_a_simulated_correction_says_so(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more="[simulation]\n")
    with house.watch() as watching:
        first = calibrate(watching, now_us() - 3 * DAY_US, 0.98)
        calibrate(watching, now_us() - DAY_US, 0.97, old=first, found=(0.08,))
    assert house.do("correction", "list", PROBE).stdout.startswith("SIMULATED")
    assert house.json("correction", "apply", PROBE, "--calibration", "1", *BY)["simulated"] is True
