"""What is told of an electrode, gathered from a store that real parts filled."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.measure.calibration import fit
from logger.report.electrode import gather, head, lines
from logger.store import Store
from tests.cli.cli_fixture import SECOND_US, House
from tests.cli.electrode_history import DAY_US, PROBE, calibrate, life, points

FIRST_US = 1_788_000_000 * SECOND_US
"""2026-08-29T10:40:00Z, by GNU date."""


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(folder=tmp_path)


@pytest.fixture
def store(house: House) -> Iterator[Store]:
    life(house, FIRST_US, [0.98, 0.972, 0.961, 0.95, 0.942])
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        yield store


def test_the_trend_tells_each_calibration_with_how_the_one_before_was_found(house: House, store: Store) -> None:
    told = gather(house.config, store, house.config.probe(PROBE), at_us=FIRST_US + 30 * DAY_US)
    assert [round(point.slope_percent, 2) for point in told.trend] == [98.0, 97.2, 96.1, 95.0, 94.2]
    assert [point.found_ph for point in told.trend] == [None, 0.04, 0.04, 0.04, 0.04]
    assert told.trend[1].drift_ph_per_day == pytest.approx(0.04 / 7, abs=1e-4)
    assert (told.trend[0].made_at, told.trend[0].t95_s, told.trend[0].noise_mv) == ("2026-08-29T10:40:00Z", 20.0, 0.1)
    assert (told.status, told.findings, told.electrode) == ("good", [], "E1")


def test_the_forecast_is_told_with_its_span(house: House, store: Store) -> None:
    told = gather(house.config, store, house.config.probe(PROBE), at_us=FIRST_US + 30 * DAY_US)
    # scipy: linregress([0, 7, 14, 21, 28], [98, 97.2, 96.1, 95, 94.2]) gives slope -0.14 a day, intercept 98.06; 85 %
    # after 93.29 days; seen from day 30 the first whole day past it is 2026-12-01 (30 + 64 days). The interval itself
    # is checked in tests/measure/test_electrode.py.
    assert told.forecast.percent_per_day == pytest.approx(-0.14, abs=1e-4)
    assert (told.forecast.outlook, told.forecast.likely) == ("likely about", "2026-12-01")
    assert told.forecast.earliest is not None
    assert told.forecast.latest is not None
    assert told.forecast.earliest < "2026-12-01" < told.forecast.latest


def test_electrodes_have_identities_and_hours(house: House) -> None:
    with house.watch() as watching:
        first = calibrate(watching, FIRST_US, 0.98, electrode="E1")
        watching.take([145.0] * 12, first_us=FIRST_US + 10 * SECOND_US)
        calibrate(watching, FIRST_US + DAY_US, 0.99, electrode="E2", old=first, found=(0.01,))
        watching.take([145.0, None, 145.0], first_us=FIRST_US + DAY_US + 10 * SECOND_US)
    named = 'poll_s = 10\nelectrode = "E2"\nelectrode_installed = 2026-08-30'
    house.path.write_text(house.path.read_text().replace("poll_s = 10", named))
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        told = gather(house.config, store, house.config.probe(PROBE), at_us=FIRST_US + 2 * DAY_US)
    one, two = told.electrodes
    assert (one.electrode, one.in_use, one.installed, one.calibrations) == ("E1", False, None, 1)
    assert (two.electrode, two.in_use, two.installed) == ("E2", True, "2026-08-30")
    # Twelve readings 10 s apart touch three minutes (from 10:40:10 to 10:42:00), three readings one.
    assert (one.hours_read, two.hours_read) == (round(3 / 60, 1), round(1 / 60, 1))
    assert [round(point.slope_percent, 2) for point in told.trend] == [99.0]
    assert told.trend[0].found_ph is None  # the first one of this electrode was not found by anything
    assert any("installed 2026-08-30" in line for line in lines(told))


def test_refused_calibrations_stay_out_of_the_trend_and_are_counted(house: House) -> None:
    life(house, FIRST_US, [0.98])
    with house.watch() as watching, watching.store.begin() as work:
        refused = fit(points(0.4, 20.0), probe=PROBE, at_us=FIRST_US + DAY_US, by="tova", electrode="E1")
        work.add_calibration(refused, accepted=False)
        work.commit()
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        told = gather(house.config, store, house.config.probe(PROBE), at_us=FIRST_US + 2 * DAY_US)
    assert (len(told.trend), told.refused) == (1, 1)
    assert "1 calibration(s), not in the table" in " ".join(lines(told))


def test_a_probe_that_was_never_calibrated_has_no_trend(house: House) -> None:
    with house.watch():
        pass
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        told = gather(house.config, store, house.config.probe(PROBE), at_us=FIRST_US)
    assert (told.trend, told.electrodes, told.forecast.outlook) == ([], [], "cannot say")
    assert "without a serial number" in " ".join(head(told))
