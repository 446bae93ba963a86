"""Add views for people and their tools: times as ISO 8601, words in place of codes, units in the names of columns.

Law: a migration is history, so it is never edited and takes nothing from `tables.py` or the model. A test compares the
words below with those of the code: who adds a word or a column writes a migration that makes the view anew. Numbers
stand as they are stored; they are rounded where they are shown. A view keeps nothing and costs nothing.
"""

# ruff: noqa: S608 - the statements are made of what stands in this file

from collections.abc import Mapping

from alembic import op

revision = "0005"
down_revision = "0004"

REASONS = {
    1: "the port is absent or cannot be opened",
    2: "no reply in time",
    3: "the reply could not be read",
    4: "the instrument reports an error",
    5: "the instrument reports overrange",
    6: "the instrument has no value",
    7: "another instrument answers than the one configured",
}
QUALITIES = {1: "pass", 2: "not-evaluated", 3: "suspect", 4: "fail", 9: "missing"}
BELIEFS = {0: "believed", 1: "suspect", 2: "not-believed"}
TESTS = {
    1: "gross-range",
    2: "jump",
    4: "rate-of-change",
    8: "flat-line",
    16: "gap",
    32: "temperature",
    64: "uncalibrated",
    128: "outside-buffers",
    256: "out-of-liquid",
    512: "erratic",
    1024: "attended",
    2048: "unwitnessed",
    4096: "own-ph",
    8192: "assumed-temperature",
    16384: "not-back",
    32768: "jumped",
    65536: "thermometer",
    131072: "frozen",
    262144: "loose",
    524288: "not-borne-out",
    1048576: "doubted",
    2097152: "scattered",
    4194304: "by-second-probe",
    8388608: "after-gap",
}
"""In the order of their bits."""


def upgrade() -> None:
    """Make the views."""
    connection = op.get_bind()
    for name, select in views(is_sqlite=connection.dialect.name == "sqlite").items():
        connection.exec_driver_sql(f"CREATE VIEW {name} AS {select}")


def views(*, is_sqlite: bool) -> Mapping[str, str]:
    """Return the statement of each view."""
    return {
        "readable_measurement": f"""
SELECT {_time("at_us", is_sqlite=is_sqlite)} AS time, vat, probe, seq AS record, {_seconds("elapsed_us")} AS elapsed_s,
  potential_mv, temperature_c, ph, u AS u_ph, 2 * u AS expanded_uncertainty_ph,
  {_word("quality", QUALITIES)} AS quality, {_word("previous_spike", QUALITIES)} AS previous_spike,
  {_tests()} AS tests, {_word("reason", REASONS)} AS reason, {_word("belief", BELIEFS)} AS belief,
  {_time("since_at_us", is_sqlite=is_sqlite)} AS belief_since, reference_ph, reference_u AS u_reference_ph,
  calibration AS calibration_id, "check" AS check_id, spot AS spot_id, run AS run_id
FROM measurement""",
        "readable_journal": f"""
SELECT id, {_time("at_us", is_sqlite=is_sqlite)} AS time, seq AS record, vat, alarm, occurrence, cause, priority,
  "before" AS state_before, "after" AS state_after, {_yes("annunciates")} AS annunciates, {_yes("held")} AS held,
  value, u AS u_value, setpoint, probability, reminder, "by" AS person, text,
  {_time("since_at_us", is_sqlite=is_sqlite)} AS since
FROM journal""",
        "readable_calibration": f"""
SELECT id, {_time("at_us", is_sqlite=is_sqlite)} AS time, probe, electrode, method, verdict,
  {_yes("accepted")} AS accepted, 100 * slope AS slope_percent, offset_mv, low_ph, high_ph, residual_mv,
  drift_ph_per_day, "by" AS person
FROM calibration""",
        "readable_check": f"""
SELECT id, {_time("at_us", is_sqlite=is_sqlite)} AS time, kind, probe, vat, reference_ph, u_reference_ph, reading_ph,
  deviation_ph, tolerance_ph, {_yes("passed")} AS passed, potential_mv, temperature_c, buffer, lot, instrument,
  electrode, calibration AS calibration_id, "by" AS person, note
FROM check_reading""",
        "readable_request": f"""
SELECT id, {_time("at_us", is_sqlite=is_sqlite)} AS time, kind, vat, probe, alarm, occurrence, duration_s, litres,
  calibration_id, check_id, "by" AS person, note,
  CASE WHEN consumed_seq IS NULL THEN 'pending' WHEN applied THEN 'applied' ELSE 'refused' END AS state,
  answer, consumed_seq AS record
FROM inbox""",
        "readable_run": f"""
SELECT id, {_time("started_at_us", is_sqlite=is_sqlite)} AS started, version FROM run""",
    }


def _time(column: str, *, is_sqlite: bool) -> str:
    """Return an expression that says UTC microseconds as ISO 8601; NULL stays NULL."""
    if is_sqlite:
        return f"strftime('%Y-%m-%dT%H:%M:%S', {column} / 1000000, 'unixepoch') || printf('.%06dZ', {column} % 1000000)"
    moment = f"timestamp '1970-01-01' + {column} * interval '1 microsecond'"
    return f"""to_char({moment}, 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"')"""


def _seconds(column: str) -> str:
    return f"CAST({column} AS DOUBLE PRECISION) / 1000000.0"


def _word(column: str, words: Mapping[int, str]) -> str:
    cases = " ".join(f"WHEN {code} THEN '{word}'" for code, word in words.items())
    return f"CASE {column} {cases} ELSE '' END"


def _tests() -> str:
    """Return an expression that names the bits, separated by spaces."""
    words = " || ".join(f"CASE WHEN (tests & {bit}) <> 0 THEN ' {word}' ELSE '' END" for bit, word in TESTS.items())
    return f"ltrim({words})"


def _yes(column: str) -> str:
    return f"CASE WHEN {column} THEN 'yes' ELSE 'no' END"
