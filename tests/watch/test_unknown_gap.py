"""A gap whose length nobody knows is no age; once the clock is set, ages and deadlines count what it really was."""

import pytest

from logger.alarm.lifecycle import Now
from logger.config import VatConfig
from logger.measure.batch import biological_hours
from logger.model import BatchState, Carry, Cause, ElectrodeState, ForecastState, ReportedState, Trend, WindowState
from logger.structs import replace
from logger.units import DAY_US, HOUR_US, MINUTE_US, SECOND_US
from logger.watch import unknown_gap

VAT = VatConfig(id="vat", name="Vat", probe="probe")
LAST_US, LAST_AT_US = 100 * HOUR_US, 1_795_543_200_000_000
TURN_US = 90 * HOUR_US
CARRY = Carry(
    probe="probe",
    electrode=ElectrodeState(calibrated_us=TURN_US, checked_us=TURN_US, unwatched_at_us=None),
    batch=BatchState(started_us=TURN_US),
    forecast=ForecastState(started_us=TURN_US, hours=10.0, counted_us=LAST_US, temperature_c=20.0),
    windows=WindowState(trends={"no-start": Trend(hours=10.0, counted_us=LAST_US, temperature_c=26.0)}),
    reported=ReportedState(record_at_us=LAST_AT_US, record_us=LAST_US),
)


def at(carry: Carry, elapsed_us: int, at_us: int) -> tuple[Carry, list[Cause]]:
    """Follow a record of these times."""
    carry, entries = unknown_gap.follow(VAT, carry, seq=1, now=Now(at_us=at_us, elapsed_us=elapsed_us))
    reported = replace(carry.reported, record_at_us=at_us, record_us=elapsed_us)
    return replace(carry, reported=reported), [entry.cause for entry in entries]


def age_h(carry: Carry) -> float:
    """Return how long ago the batch began by watch time."""
    assert carry.batch.started_us is not None
    assert carry.reported.record_us is not None
    return (carry.reported.record_us - carry.batch.started_us) / HOUR_US


def cut(carry: Carry, *, gap_us: int, until_set_us: int = 10 * MINUTE_US) -> Carry:
    """Cut the power for so long; boot behind the end of the log, and learn the time after a while."""
    last_us, last_at_us = carry.reported.record_us, carry.reported.record_at_us
    assert last_us is not None
    assert last_at_us is not None
    begin_us = last_us + DAY_US
    carry, said = at(carry, begin_us + SECOND_US, last_at_us + SECOND_US)
    assert said == []
    carry, said = at(carry, begin_us + until_set_us, last_at_us + until_set_us)
    assert said == []
    carry, said = at(carry, begin_us + until_set_us + SECOND_US, last_at_us + until_set_us + SECOND_US + gap_us)
    assert said == [Cause.AFTER_GAP]
    return carry


def test_an_unknown_gap_is_no_age() -> None:
    carry, said = at(CARRY, LAST_US + DAY_US, LAST_AT_US + 1)
    assert (age_h(carry), said) == (pytest.approx(10.0), [])
    assert carry.electrode.calibrated_us == carry.electrode.checked_us == carry.batch.started_us
    assert carry.forecast.counted_us == LAST_US + DAY_US - 1


def test_after_three_cuts_every_age_is_the_true_one() -> None:
    carry = CARRY
    for _ in range(3):
        carry = cut(carry, gap_us=20 * MINUTE_US)
    assert age_h(carry) * 60 == pytest.approx(10 * 60 + 3 * (20 + 10), abs=0.1)


def test_biological_hours_count_the_true_gap_at_the_newest_temperature() -> None:
    carry = CARRY
    last_at_us, begin_us = LAST_AT_US, LAST_US + DAY_US
    carry, _ = at(carry, begin_us, last_at_us + 1)
    carry = replace(carry, forecast=replace(carry.forecast, counted_us=begin_us + 600 * SECOND_US))
    carry, _ = at(carry, begin_us + 601 * SECOND_US, last_at_us + 601 * SECOND_US + 2 * HOUR_US)
    assert carry.forecast.hours == pytest.approx(12.0, abs=1e-6)
    trend = carry.windows.trends["no-start"]
    assert trend.counted_us is not None  # no window was closed since: the next one counts the gap
    assert biological_hours((begin_us - trend.counted_us) / HOUR_US, 26.0) == pytest.approx(
        biological_hours(2.0, 26.0), rel=1e-6
    )


def test_a_clock_that_is_set_under_a_watch_that_knew_its_gaps_moves_nothing() -> None:
    carry, said = at(CARRY, LAST_US + SECOND_US, LAST_AT_US + HOUR_US)
    assert (carry.batch, said) == (CARRY.batch, [])
    carry, said = at(CARRY, LAST_US + 30 * HOUR_US, LAST_AT_US + 30 * HOUR_US)
    assert (carry.batch, said) == (CARRY.batch, [])


def test_what_was_made_after_the_gap_is_not_moved() -> None:
    carry, _ = at(CARRY, LAST_US + DAY_US, LAST_AT_US + 1)
    made_us = LAST_US + DAY_US + MINUTE_US
    carry = replace(carry, electrode=replace(carry.electrode, checked_us=made_us))
    carry, _ = at(carry, made_us + MINUTE_US, LAST_AT_US + 2 * MINUTE_US + 5 * HOUR_US)
    assert carry.electrode.checked_us == made_us
    assert age_h(carry) == pytest.approx(15.0, abs=0.1)
