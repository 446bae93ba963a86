"""The views that people read with tools of their own: times, words and units, the same on both databases."""

from collections.abc import Iterator

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import Engine, create_engine, inspect

from logger.model import Answer, Belief, Measurements, Quality, QualityTests, Reason
from logger.mqtt.payloads import quality_word
from logger.report.words import names_of_tests
from logger.store import Store
from logger.store.engine import parse
from logger.structs import replace
from tests.store.factories import calibration, check, command, entry, measurements, outcome

VIEWS = ["calibration", "check", "journal", "measurement", "request", "run"]
TESTS = [test for test in QualityTests if test]


def every_word() -> Measurements:
    """Return records in which each code of each column stands at least once."""
    rows = measurements(1, len(TESTS))
    seq = np.arange(len(TESTS))
    return replace(
        rows,
        tests=np.array([*map(int, TESTS)]),
        reason=np.array([*map(int, Reason)])[seq % len(Reason)],
        quality=np.array([*map(int, Quality)])[seq % len(Quality)],
        previous_spike=np.array([*map(int, Quality)])[seq % len(Quality)],
        belief=np.array([*map(int, Belief)])[seq % len(Belief)],
        at_us=rows.at_us + 7,
    )


@pytest.fixture
def engine(store: Store, store_url: str) -> Iterator[Engine]:
    """Return a stranger's connection to a store with something of everything."""
    with store.begin() as unit:
        run = unit.start_run(at_us=1_790_000_000_000_000, elapsed_us=0, version="0.2", config_hash="")
        unit.add_calibration(calibration())
        unit.add_check(check())
        first, second, _ = (unit.add_command(command(litres=float(n))) for n in range(3))
        answers = [Answer(command=first, seq=1, applied=True, text="done")]
        answers += [Answer(command=second, seq=2, applied=False, text="no")]
        unit.append(outcome(every_word(), entries=[entry()], answers=answers), run=run)
        unit.commit()
    engine = create_engine(parse(store_url))
    yield engine
    engine.dispose()


def read(engine: Engine, view: str) -> pd.DataFrame:
    return pd.read_sql_query(f"SELECT * FROM readable_{view}", engine)  # noqa: S608 - names from here


def test_each_word_is_the_one_that_the_code_says(engine: Engine) -> None:
    rows, shown = every_word(), read(engine, "measurement").sort_values("record")
    assert shown["tests"].tolist() == [" ".join(names_of_tests(code)) for code in rows.tests.tolist()]
    assert shown["reason"].tolist() == ["" if not code else Reason(code).words for code in rows.reason.tolist()]
    assert shown["quality"].tolist() == [quality_word(code) for code in rows.quality.tolist()]
    assert shown["previous_spike"].tolist() == [quality_word(code) for code in rows.previous_spike.tolist()]
    assert shown["belief"].tolist() == [Belief(code).word for code in rows.belief.tolist()]


def test_several_tests_stand_beside_each_other(engine: Engine, store: Store) -> None:
    with store.begin() as unit:
        unit.append(outcome(replace(measurements(100, 1), tests=np.array([1 + 8 + 64]))), run=1)
        unit.commit()
    assert read(engine, "measurement")["tests"].tolist()[-1] == "gross-range flat-line uncalibrated"


def test_times_are_iso_8601_to_the_microsecond_and_numbers_as_they_are_stored(engine: Engine) -> None:
    rows, shown = every_word(), read(engine, "measurement").sort_values("record")
    at = pd.to_datetime(shown["time"], format="ISO8601", utc=True)
    microseconds = (at - pd.Timestamp(0, tz="UTC")) // pd.Timedelta(microseconds=1)
    assert microseconds.tolist() == rows.at_us.tolist()
    assert (
        shown["time"].iloc[0] == "2026-09-21T14:13:30.000007Z"
    )  # 1 790 000 010 s (POSIX), by `date -u -d @1790000010`
    np.testing.assert_array_equal(shown["potential_mv"].to_numpy(dtype=float), rows.potential_mv)
    np.testing.assert_array_equal(shown["ph"].to_numpy(dtype=float), rows.ph)
    np.testing.assert_allclose(shown["elapsed_s"].to_numpy(dtype=float), rows.elapsed_us / 1e6, rtol=1e-15)


def test_journal_requests_calibrations_checks_and_runs_can_be_read(engine: Engine) -> None:
    shown = {view: read(engine, view) for view in VIEWS}
    assert {view: len(rows) for view, rows in shown.items()} == {**dict.fromkeys(VIEWS, 1), "measurement": len(TESTS),
                                                                "request": 3}  # fmt: skip
    assert shown["request"].sort_values("id")["state"].tolist() == ["applied", "refused", "pending"]
    assert shown["calibration"]["accepted"].tolist() == ["yes"]
    assert shown["calibration"]["slope_percent"][0] == pytest.approx(100 * calibration().slope)
    assert shown["check"]["passed"].isin(["yes", "no"]).all()
    assert shown["journal"]["cause"].tolist() == [entry().cause.value]
    assert shown["run"]["started"].tolist() == ["2026-09-21T14:13:20.000000Z"]


def test_a_view_shows_every_column_of_its_table_or_says_it_in_words(engine: Engine) -> None:
    columns = {view: len(inspect(engine).get_columns(f"readable_{view}")) for view in VIEWS}
    tables = {"measurement": "measurement", "journal": "journal"}
    for view, table in tables.items():
        left_out = {"journal": 1}.get(view, 0)  # what a telephone was told is JSON
        more = {"measurement": 1}.get(view, 0)  # twice u
        assert columns[view] == len(inspect(engine).get_columns(table)) - left_out + more
