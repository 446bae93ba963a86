"""`vatvigil batch`."""

from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from logger.store import Store, batches, queries
from tests.cli.cli_fixture import SECOND_US, House, answering, now_us

MORE = """
[people]
zone = "Europe/Lisbon"
[vat.marrow.target]
ph = 4.6
[vat.marrow.alarm.deadline]
setpoint = 36
[vat.marrow.alarm.warm]
kind = "temperature-high"
setpoint = 24
[vat.marrow.alarm.temperature-high]
setpoint = 30
"""
BY = ("--by", "tova", "--wait", "0")


@pytest.fixture
def house(tmp_path: Path) -> House:
    house = House(folder=tmp_path, more=MORE)
    with house.watch() as watching:
        watching.calibrate(now_us() - 700 * SECOND_US)
        watching.take_at_once([145.0] * 60, first_us=now_us() - 600 * SECOND_US)
    return house


def shown(house: House) -> list[dict[str, Any]]:
    entries = house.json("batch", "show", "marrow")["entries"]
    return [{**each, **{k: v for k, v in each["content"].items() if v not in ("", None)}} for each in entries]


def asked(house: House) -> list[tuple[str, str]]:
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        return [(c.kind.value, c.note) for c in queries.pending_commands(store) if c.kind != "calibrate"]


def test_a_batch_begins_with_its_header_its_ingredients_and_the_limits_of_the_configuration(house: House) -> None:
    begin = ("--product", "brined roots", "--lot", "N-17", "--salt", "2.6", "--ingredient", "radish")
    house.json("batch", "start", "marrow", *begin, "--limit-approved-by", "T. Vale", *BY)
    start, header, limits, ingredient = shown(house)
    assert (start["kind"], start["backdated"], start["by"]) == ("start", False, "tova")
    assert (header["product"], header["lot"], header["salt_percent"]) == ("brined roots", "N-17", 2.6)
    assert (limits["ph"], limits["deadline_h"], limits["high_c"], limits["approved_by"]) == (4.6, 36, 30, "T. Vale")
    assert (limits["monitoring_s"], "low_c" in limits) == (10, False)
    assert limits["origin"].startswith("the configuration ")
    assert ingredient["name"] == "radish"
    assert asked(house) == [("mark", "started")]


def test_what_happens_now_goes_to_the_watch_and_what_is_told_later_only_into_the_record(house: House) -> None:
    house.do("batch", "start", "marrow", *BY)
    house.do("batch", "note", "marrow", "pressed <b>down</b>", *BY)
    house.do("batch", "add", "marrow", "addition", "--what", "brine", "--litres", "4", *BY)
    house.do("batch", "depart", "marrow", "--limit", "too warm", "--disposition", "hold", *BY)
    house.do("batch", "note", "marrow", "was stirred", "--at", "2026-01-05 09:00", *BY)
    house.do("batch", "add", "marrow", "ingredient", "--name", "salt", "--use", "salt", *BY)
    notes = ["started", "pressed <b>down</b>", "topped-up", "departure: too warm"]
    assert [note for _, note in asked(house)] == notes
    kinds = [(each["kind"], each["backdated"]) for each in shown(house)][2:]
    assert kinds == [("note", False), ("addition", False), ("departure", False), ("note", True), ("ingredient", False)]


def test_local_time_is_taken_and_shown_and_a_late_entry_says_so(house: House) -> None:
    house.do("batch", "start", "marrow", *BY)
    late = house.do("batch", "note", "marrow", "skimmed", "--at", "2026-07-05 09:00", *BY)
    assert "which happened at 2026-07-05 09:00:00 WEST" in " ".join(late.stdout.split())
    assert shown(house)[-1]["happened"] == "2026-07-05T08:00:00.000000Z"  # WEST is UTC+1 (IANA)
    said = " ".join(house.do("batch", "show", "marrow").stdout.split())
    assert "Entered 20" in said
    assert "pH alone does not make food safe" in said


def test_a_backdated_start_counts_from_when_it_was(house: House) -> None:
    house.do("batch", "start", "marrow", "--at", "yesterday 18:00", *BY)
    (start, _) = shown(house)
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        mark = queries.pending_commands(store)[-1]
    entered, happened = (datetime.fromisoformat(start[name]) for name in ("entered", "happened"))
    assert start["backdated"] is True
    assert mark.duration_s == pytest.approx((entered - happened).total_seconds())
    assert happened.astimezone(ZoneInfo("Europe/Lisbon")).strftime("%H:%M:%S") == "18:00:00"


def test_a_ph_beside_the_probe_is_a_spot_measurement_stored_once(house: House) -> None:
    house.do("batch", "start", "marrow", *BY)
    told = house.json("batch", "measure", "marrow", "--ph", "4.5", "--u", "0.05", "--instrument", "meter 2", *BY)
    measured = shown(house)[-1]
    assert (measured["quantity"], measured["value"], measured["u"], measured["check"]) == ("pH", 4.5, 0.05, 1)
    assert measured["reading"] == pytest.approx(4.459, abs=0.005)
    assert told["remarks"][0].startswith("The probe reads pH 4.46 beside it: -0.04, within 0.1")
    assert asked(house)[-1] == ("check", "")
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        assert [(c.reference_ph, c.instrument) for c in queries.checks(store, "marrow-probe")] == [(4.5, "meter 2")]


@pytest.mark.parametrize(
    ("measured", "why"),
    [
        (("--ph", "4.5", "--u", "0.5", "--method", "strip"), "so vague a value says nothing of the probe"),
        (("--ph", "4.5", "--at", "2026-01-05 09:00"), "it was not measured now"),
    ],
)
def test_a_ph_that_cannot_be_compared_is_kept_and_says_why(house: House, measured: tuple[str, ...], why: str) -> None:
    house.do("batch", "start", "marrow", *BY)
    told = house.json("batch", "measure", "marrow", *measured, *BY)
    assert why in told["remarks"][0]
    assert (shown(house)[-1]["value"], asked(house)) == (4.5, [("mark", "started")])


def test_vinegar_is_titrated(house: House) -> None:
    house.do("batch", "start", "marrow", *BY)
    house.do("batch", "measure", "marrow", "--acidity", "5.1", "--acid", "acetic acid", *BY)
    measured = shown(house)[-1]
    assert (measured["quantity"], measured["unit"], measured["method"]) == ("titratable acidity", "%", "titration")


def test_a_correction_names_the_old_entry_and_both_stand(house: House) -> None:
    house.do("batch", "start", "marrow", *BY)
    house.do("batch", "add", "marrow", "ingredient", "--name", "salt", "--mass", "9.4", *BY)
    done = house.do("batch", "correct", "marrow", "3", "--set", "mass=8.4", "--set", "lot=R5", "--why", "misread", *BY)
    assert done.exit_code == 0
    old, new = shown(house)[-2:]
    assert (old["mass_kg"], new["mass_kg"], new["lot"], new["corrects"]) == (9.4, 8.4, "R5", old["entry"])
    assert "corrects entry 3" in " ".join(house.do("batch", "show", "marrow").stdout.split())


def test_a_batch_ends_once_and_is_in_the_list(house: House) -> None:
    house.do("batch", "start", "marrow", "--lot", "N-17", *BY)
    assert house.json("batch", "list")["batches"][0]["ended"] is None
    house.do("batch", "end", "marrow", "--disposition", "release", "--equilibrium-ph", "4.1", *BY)
    (listed,) = house.json("batch", "list")["batches"]
    assert (listed["lot"], listed["vat"], listed["ended"] is None) == ("N-17", "marrow", False)
    assert [each["kind"] for each in shown(house)][-2:] == ["end", "finish"]
    assert "ended at" in house.do("batch", "end", "N-17", *BY).stderr
    assert house.do("batch", "add", "N-17", "review", "--reviewer", "T. Vale", *BY).exit_code == 0


def test_the_daemon_begins_and_ends_the_batch(house: House) -> None:
    with answering(house):
        begun = house.json("batch", "start", "marrow", "--wait", "20")
        ended = house.json("batch", "end", "marrow", "--wait", "20")
        other = house.json("mark", "marrow", "started", "--wait", "20")
        with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
            carried = queries.watches(store)["marrow"].batch
    assert begun["asked"][0]["text"] == "what counts from a start counts from there"
    assert ended["asked"][0]["text"] == "what counts from a start counts no more"
    assert other["applied"] is True
    first, second = house.json("batch", "list")["batches"]
    assert (first["batch"], first["ended"] is None, second["batch"]) == (begun["batch"], False, carried.id)


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("start", "marrow"), 1, "is under way in marrow: end it first (`vatvigil batch end marrow`)"),
        (("start", "marow"), 1, "the configuration has no vat 'marow'; did you mean 'marrow'?"),
        (("note", "marrow", " "), 2, "TEXT is empty"),
        (("note", "marrow", "a\nb"), 1, "note holds the character '\\n': write one line of plain text"),
        (("note", "cellar", "x"), 1, "there is no batch 'cellar'"),
        (("add", "marrow", "ingredient"), 1, "nothing was said: give at least one of the options"),
        (("add", "marrow", "ingredient", "--part", "101"), 1, "must be at most 100 %, not 101"),
        (("measure", "marrow"), 2, "give one of --ph, --acidity, --salt, --temperature and --alcohol"),
        (("measure", "marrow", "--ph", "nan"), 1, "value must be"),
        (("correct", "marrow", "99", "--withdraw", "--why", "x"), 1, "has no entry 99"),
        (("correct", "marrow", "1", "--withdraw", "--why", "x"), 1, "the start of a batch cannot be taken back"),
        (("correct", "marrow", "1", "--why", "x"), 2, "give --set FIELD=VALUE, --at TIME or --withdraw"),
        (("correct", "marrow", "1", "--set", "lot=3", "--why", "x"), 1, "such an entry has no field 'lot'"),
        (("end", "marrow", "--at", "2026-01-01 09:00"), 1, "it cannot end before"),
    ],
)
def test_what_cannot_be_entered_is_refused(house: House, arguments: tuple[str, ...], code: int, sentence: str) -> None:
    house.do("batch", "start", "marrow", *BY)
    result = house.do("batch", *arguments)
    assert result.exit_code == code
    assert sentence in " ".join(result.stderr.split())
    assert len(shown(house)) == 2


def test_a_simulated_record_says_so(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more="[simulation]\n")
    with house.watch():
        pass
    assert "There is no batch." in house.do("batch", "list").stdout
    assert house.do("batch", "start", "marrow", *BY).stdout.startswith("SIMULATED")
    assert house.do("batch", "show", "marrow").stdout.startswith("SIMULATED")


def test_a_recording_becomes_a_batch_of_the_past_whose_record_says_when_it_was_entered(house: House) -> None:
    night, past = house.folder / "night.jsonl", house.folder / "past.sqlite"
    house.do("export", "marrow", "--format", "recording", "--out", str(night))
    made = house.json("batch", "import", str(night), "--into", str(past), "--lot", "N-3", "--by", "tova")
    with Store.open(f"sqlite:///{past}", simulated=False, read_only=True) as store:
        found = batches.find(store, "N-3")
        (span,) = batches.spans_of(store, found)
    assert (found.id, found.start.by, span.first, span.last) == (made["batch"], "tova", 1, 60)
    assert found.start.note == "imported from night.jsonl"
    assert found.ended_at_us is not None
    assert found.ended_at_us - found.started_at_us == 590 * SECOND_US
    assert [each.at_us > found.ended_at_us for each in found.entries] == [True] * 3
    again = house.do("batch", "import", str(night), "--into", str(past))
    assert (again.exit_code, "has records in it" in again.stderr) == (1, True)


def test_a_recording_that_tells_its_own_start_and_end_keeps_them(house: House) -> None:
    night, past = house.folder / "night.jsonl", house.folder / "past.sqlite"
    with house.watch() as watching:
        house.do("mark", "marrow", "started", "--wait", "0")
        watching.take([145.0] * 3, first_us=now_us())
        house.do("batch", "note", "marrow", "skimmed", "--by", "jon", "--wait", "0")
        watching.take([145.0] * 3, first_us=now_us() + 40 * SECOND_US)
    live = house.json("batch", "list")["batches"][0]["batch"]
    house.do("export", "--batch", live, "--format", "recording", "--out", str(night))
    made = house.json("batch", "import", str(night), "--into", str(past), "--by", "tova")
    with Store.open(f"sqlite:///{past}", simulated=False, read_only=True) as store:
        found = batches.find(store, "marrow")
    assert (found.id, made["batch"]) == (live, live)
    assert [(each.content.text, each.by) for each in found.notes] == [("skimmed", "jon")]
