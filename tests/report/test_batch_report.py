"""The report of a batch in which much went wrong: it reads truthfully; its figures are those of the exported log."""

import html
import re
from datetime import UTC
from hashlib import sha256
from io import StringIO
from pathlib import Path

import msgspec
import pandas as pd
import pytest
from sqlalchemy import create_engine, text

from logger.report import batch_facts, batch_page
from logger.report.local_time import LocalTime
from logger.store import Store
from logger.structs import replace
from logger.units import HOUR_US
from tests.cli.cli_fixture import House
from tests.report import batch_night

START = pd.Timestamp("2024-11-24T17:00:00Z")
END = START + pd.Timedelta(hours=batch_night.HOURS)


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    return batch_night.make(tmp_path_factory.mktemp("batch"))


@pytest.fixture(scope="module")
def page(house: House) -> str:
    """The report as it was written."""
    return reported(house, "report.html", "--data", str(house.folder / "report.jsonl"))


def reported(house: House, name: str, *more: str) -> str:
    target = house.folder / name
    done = house.do("batch", "report", "N-17", "--out", str(target), *more)
    assert (done.exit_code, done.stderr) == (0, "")
    return target.read_text()


def said(page: str) -> str:
    """Return what a reader sees, on one line."""
    body = re.sub(r"<(style|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


def part(page: str, title: str) -> str:
    """Return what stands below a title, up to the next."""
    return said(re.split(r"<h2\b", page.partition(f"{title}</h2>")[2])[0])


def test_the_first_page_says_what_was_shown_and_what_took_it_away(page: str) -> None:
    shown = part(page, "What was shown")
    assert "a claim was made, 4 h 0 min before the deadline: Measured at or below pH 4.60 (95 %)" in shown
    assert "2024-11-25 12:12:00 CET: the claim was WITHDRAWN." in shown
    assert "another instrument read 5.09" in shown
    assert "So this record does NOT SHOW that pH came to 4.6 or below." in shown
    assert "the claim stood" not in shown


def test_it_tells_the_gap_the_knock_the_calibrations_and_what_is_open(page: str) -> None:
    doubts = part(page, "Standing doubts")
    for words in (
        "1 gap without a reading, 1 h 0 min in all; the longest 2024-11-25 01:59:40 CET to 2024-11-25 03:00:00 CET",
        "the reading jumped as no vat does, so trust in the probe is lost",
        "2024-11-25 06:00:00 CET: calibration 2 of marrow-probe was REFUSED: the two buffers lie 40 mV",
        "2024-11-25 06:06:00 CET: calibration 3 of marrow-probe changed the line by which pH is read",
        "another instrument differed by -0.60 pH from the probe",
        "The alarm deadline came 2024-11-25 16:00:00 CET and stood until the end",
        "Equilibrium pH of the finished product: NOT RECORDED",
        "Entered later than it happened: 2 of the record's entries",
        "Without a disposition: 1 departure",
    ):
        assert words in doubts, words
    assert "calibration 1 of marrow-probe changed" not in doubts


def test_both_departures_stand_on_the_first_page_with_what_is_missing(page: str) -> None:
    told = part(page, "Departures")
    assert "temperature above 24 C. Cause: heater stuck. Action: switched it off. Disposition: release." in told
    assert "Cause: cable pulled. Action: NOT RECORDED. Disposition: NOT RECORDED." in told


def test_an_empty_field_says_so_and_a_correction_shows_old_and_new(page: str) -> None:
    header, corrections = part(page, "Annex A: Header"), part(page, "Annex P: Corrections")
    assert "name of the facility NOT RECORDED" in header
    assert "volume 380 L" in header
    assert "2024-11-25 06:00:00 CET marrow-probe rinsed tova" in part(page, "Annex D: Instrument")
    assert "R4 R5 misread the label tova" in corrections
    assert "BACKDATED: entered 2024-11-25 14:00:00 CET" in part(page, "Annex M: Departures")


def test_markup_in_a_note_is_text(page: str) -> None:
    assert "<script" not in page
    assert batch_night.EVIL.strip() in said(page)
    assert len(batch_night.EVIL) > 9_900


def test_cautions_signatures_and_the_digest_are_there(page: str) -> None:
    text_of = said(page)
    assert text_of.index("pH alone does not make food safe") < text_of.index("Hours")
    assert "Reviewed by, date" in text_of
    assert "keep this record until NOT RECORDED" in text_of
    assert page.count("<svg") == 2
    assert not re.search(r"\b(safe|certain|100 %)\b", text_of.replace("does not make food safe", "").replace(
        "This is no safety interlock", ""))  # fmt: skip


def test_of_a_simulated_vat_it_is_a_preview_and_says_so(house: House) -> None:
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        found = batch_facts.record_of([store], "marrow")
        facts = batch_facts.gather(house.config, [store], found, at_us=0, version="0.1.0")
    written = batch_page.write(replace(facts, simulated=True), LocalTime(UTC), caution="")
    assert "this is no record of a batch" in said(written)
    assert 'class="watermark"' in written


# The figures, recomputed from the exported CSV by pandas alone.


@pytest.fixture(scope="module")
def log(house: House) -> pd.DataFrame:
    done = house.do("export", "marrow")
    frame = pd.read_csv(StringIO(done.stdout), parse_dates=["time"])
    return frame[(frame["time"] >= START) & (frame["time"] <= END)]


def hours_above(log: pd.DataFrame, column: str, limit: float, believed: "pd.Series[bool]") -> tuple[float, float]:
    """Return the hours above a limit and the hours known, on straight lines between readings up to 5 min apart."""
    points = log[believed]
    seconds, value = points["elapsed_s"].to_numpy(), points[column].to_numpy()
    above = known = 0.0
    for i in range(len(points) - 1):
        length = seconds[i + 1] - seconds[i]
        if length > 300:
            continue
        known += length
        low, high = sorted((value[i], value[i + 1]))
        above += length * (1 if low > limit else 0 if high <= limit else (high - limit) / (high - low))
    return above / 3600, known / 3600


def figure(page: str, label: str) -> float:
    found = re.search(rf"{re.escape(label)} (-?[\d.]+) (?:h|°C h)", part(page, "Hours"))
    assert found, label
    return float(found[1])


def believed(log: pd.DataFrame) -> "pd.Series[bool]":
    return (log["belief"] == "believed") & ~log["spike"].isin(["suspect", "fail"])


def test_hours_of_ph_are_those_of_the_exported_log(page: str, log: pd.DataFrame) -> None:
    above, known = hours_above(log, "ph", 4.6, believed(log))
    assert figure(page, "pH above 4.6") == pytest.approx(above, abs=0.006)
    assert figure(page, "pH at 4.6 or below") == pytest.approx(known - above, abs=0.006)
    assert figure(page, "pH not known") == pytest.approx(batch_night.HOURS - known, abs=0.006)
    upper = log.assign(upper=log["ph"] + log["expanded_uncertainty_ph"])
    possible, _ = hours_above(upper, "upper", 4.6, believed(log))
    assert figure(page, "pH above 4.6 cannot be excluded") == pytest.approx(possible, abs=0.006)


def test_hours_of_temperature_and_degree_hours_are_too(page: str, log: pd.DataFrame) -> None:
    lost = log["tests"].fillna("").str.contains("jumped|frozen|loose|not-borne-out|out-of-liquid")
    warm = log["temperature_c"].notna() & ~lost
    above, known = hours_above(log, "temperature_c", 24.0, warm)
    assert above == pytest.approx(2.0, abs=0.01)  # as the vat was
    assert figure(page, "temperature above 24 °C") == pytest.approx(above, abs=0.006)
    assert figure(page, "temperature not known") == pytest.approx(batch_night.HOURS - known, abs=0.006)
    mean = log[warm]["temperature_c"].mean()
    assert figure(page, "degree-hours above 15.6 °C") == pytest.approx((mean - 15.6) * known, abs=1)


def test_the_table_of_hours_is_that_of_the_exported_log(page: str, log: pd.DataFrame) -> None:
    rows = re.findall(
        r"(2024-11-2\d \d\d:\d\d) (\d+) (\d+) ([\d.]+) ([\d.]+) ([\d.]+)", part(page, "Course by the hour")
    )
    good = log[believed(log)]
    hour = ((good["elapsed_s"] - log["elapsed_s"].iloc[0]) // 3600).astype(int)
    ours = [tuple(map(float, row[3:])) for row in rows]
    theirs = [(part["ph"].min(), part["ph"].median(), part["ph"].max()) for _, part in good.groupby(hour)]
    assert len(ours) == len(theirs) >= 25
    for mine, other in zip(ours, theirs, strict=True):
        assert mine == pytest.approx(other, abs=0.0051)
    assert sum(int(row[1]) for row in rows) == len(log)


# The digest.


def test_the_digest_is_that_of_the_file_and_is_made_again_from_the_store(house: House, page: str) -> None:
    data = house.folder / "report.jsonl"
    digest = sha256(data.read_bytes()).hexdigest()
    assert digest in said(page)
    for more in ((), ("--data", str(data))):
        done = house.do("batch", "verify", str(house.folder / "report.html"), *more)
        assert (done.exit_code, digest in done.stdout) == (0, True)


def test_what_comes_later_does_not_spoil_it(house: House, page: str) -> None:
    assert house.do("batch", "note", "N-17", "reviewed the record", "--by", "ivo", "--wait", "0").exit_code == 0
    with house.watch() as watching:
        watching.take_at_once([150.0] * 20, first_us=batch_night.BEGIN_US + 30 * HOUR_US)
    assert house.do("batch", "verify", str(house.folder / "report.html")).exit_code == 0
    assert digest_of(reported(house, "later.html")) != digest_of(page)


def digest_of(page: str) -> str:
    found = re.search(r'name="batch-digest" content="([0-9a-f]{64})"', page)
    assert found
    return found[1]


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE measurement SET ph = ph + 0.0000001 WHERE seq = 777",
        "UPDATE journal SET text = text || ' ' WHERE cause = 'measured-at-target'",
    ],
)
def test_a_value_that_was_changed_is_found(house: House, page: str, tmp_path: Path, change: str) -> None:
    other = House(folder=tmp_path, more=batch_night.MORE)
    (tmp_path / "log.sqlite").write_bytes((house.folder / "log.sqlite").read_bytes())
    changed(tmp_path / "log.sqlite", change)
    (tmp_path / "report.html").write_text(page)
    done = other.do("batch", "verify", str(tmp_path / "report.html"))
    assert (done.exit_code, "NOT THE SAME" in done.stdout) == (3, True)


def halved(house: House, folder: Path) -> House:
    """Return a house whose log was begun anew at a record; what was before is in another file."""
    other = House(folder=folder, more=batch_night.MORE)
    for name, half in (("old.sqlite", ">"), ("log.sqlite", "<=")):
        (folder / name).write_bytes((house.folder / "log.sqlite").read_bytes())
        for table in ("measurement", "journal"):
            changed(folder / name, f"DELETE FROM {table} WHERE seq {half} 2000")  # noqa: S608 - names of this file
    return other


def changed(path: Path, statement: str) -> None:
    """Change a store behind the back of its guards."""
    engine = create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        for (trigger,) in connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).all():
            connection.execute(text(f"DROP TRIGGER {trigger}"))
        connection.execute(text(statement))
    engine.dispose()


def test_a_batch_over_two_stores_is_one(house: House, page: str, tmp_path: Path) -> None:
    two, target, also = halved(house, tmp_path), str(tmp_path / "two.html"), ("--also", str(tmp_path / "old.sqlite"))
    done = two.do("batch", "report", "N-17", "--out", target, *also)
    assert (done.exit_code, done.stderr) == (0, "")
    whole = Path(target).read_text()
    for title in ("What was shown", "Hours", "Departures", "Course by the hour"):
        assert part(whole, title) == part(page, title)
    assert two.do("batch", "verify", target, *also).exit_code == 0
    alone = two.do("batch", "verify", target)
    assert (alone.exit_code, "sealed over 2 stores, and 1 are given" in alone.stderr) == (1, True)
    again = two.do("batch", "report", "N-17", "--out", str(tmp_path / "x.html"), *also, *also)
    assert (again.exit_code, "name each store once" in again.stderr) == (1, True)


@pytest.mark.parametrize("content", ["<html></html>", '<meta name="batch-digest" content="0">'])
def test_what_is_no_report_is_refused_with_a_sentence(house: House, tmp_path: Path, content: str) -> None:
    page = tmp_path / "other.html"
    page.write_text(content)
    done = house.do("batch", "verify", str(page))
    assert done.exit_code == 1
    assert done.stderr.startswith("Error: ")


def test_no_file_is_written_over(house: House, page: str) -> None:
    done = house.do("batch", "report", "N-17", "--out", str(house.folder / "report.html"))
    assert (done.exit_code, "exists already" in done.stderr) == (1, True)
    assert (house.folder / "report.html").read_text() == page


def test_the_sealed_rows_are_lines_that_other_programs_read(house: House, page: str, log: pd.DataFrame) -> None:
    assert page
    lines = (house.folder / "report.jsonl").read_text().splitlines()
    records = pd.DataFrame([msgspec.json.decode(line) for line in lines if line.startswith('["record"')])
    assert len(records) == len(log)
    assert records[10].to_numpy() == pytest.approx(log["ph"].to_numpy(), abs=0.00005)
