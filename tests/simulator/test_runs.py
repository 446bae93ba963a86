"""The named runs and what is written down of them."""

import json
import tomllib
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy import optimize

from logger.structs import replace
from simulator.electrode import nernst_slope_mv
from simulator.recording import RecordingLabel, buffer_readings_toml, calibration, recording
from simulator.rig import Rig
from simulator.runs import RUNS, find_run

EPOCH_US = 1_795_543_200_000_000  # 2026-11-24T18:00:00Z
LABEL = RecordingLabel(vat="marrow", probe="marrow-probe", poll_s=10.0, epoch_us=EPOCH_US)
A_DAY_H = 24.0


def paced(name: str) -> RecordingLabel:
    """Return the label of a run; one of several days is polled once a minute."""
    return LABEL if find_run(name).hours <= A_DAY_H else replace(LABEL, poll_s=60.0)


def lines(name: str, *, seed: int = 1, label: RecordingLabel | None = None) -> list[dict[str, Any]]:
    return [json.loads(line) for line in recording(Rig(find_run(name), seed), label or paced(name))]


def columns(name: str, *, seed: int = 1) -> dict[str, np.ndarray]:
    """Return the recorded columns, and `ph` by the run's own electrode (no drift): what a perfect calibration sees."""
    rows = [line["rows"] for line in lines(name, seed=seed) if "rows" in line]
    out = {key: np.array([v for row in rows for v in row[key]], dtype=float) for key in rows[0]}
    cell = find_run(name).electrode
    span = cell.slope * nernst_slope_mv(out["temperature_c"])
    out["ph"] = 7.0 - (out["potential_mv"] - cell.offset_mv) / span
    return out


def hour(c: dict[str, np.ndarray], start: float, end: float) -> np.ndarray:
    return (c["elapsed_us"] >= start * 3.6e9) & (c["elapsed_us"] < end * 3.6e9)


@pytest.mark.parametrize("name", RUNS)
def test_the_same_seed_gives_the_same_bytes_and_another_does_not(name: str) -> None:
    first, again, other = ("".join(recording(Rig(find_run(name), seed), paced(name))) for seed in (5, 5, 6))
    assert first == again
    assert first != other


@pytest.mark.parametrize("name", RUNS)
def test_records_are_numbered_from_one_and_time_starts_at_zero(name: str) -> None:
    c = columns(name)
    poll_s = paced(name).poll_s
    assert c["seq"].tolist() == list(range(1, round(find_run(name).hours * 3600 / poll_s) + 1))
    assert c["elapsed_us"].tolist() == ((c["seq"] - 1) * poll_s * 1e6).tolist()
    assert c["at_us"].tolist() == (EPOCH_US + c["elapsed_us"]).tolist()


@pytest.mark.parametrize("name", RUNS)
def test_a_value_is_missing_exactly_where_there_is_a_reason(name: str) -> None:
    c = columns(name)
    assert np.isnan(c["potential_mv"]).tolist() == (c["reason"] != 0).tolist()
    thermometer_out = hour(c, 2.0, 2.5) if name == "sensor-faults" else np.zeros(len(c["reason"]), dtype=np.bool_)
    assert np.isnan(c["temperature_c"]).tolist() == ((c["reason"] != 0) | thermometer_out).tolist()


def test_a_recording_opens_with_its_header_and_the_calibration() -> None:
    header, command, *rows = lines("normal-night")
    assert header == {
        "recording": 1,
        "simulated": True,
        "vat": "marrow",
        "probe": "marrow-probe",
        "run": "normal-night",
        "seed": 1,
        "poll_s": 10.0,
        "faults": [],
    }
    assert {"kind": "calibrate", "seq": 1}.items() <= command["command"].items()
    assert [len(row["rows"]["seq"]) for row in rows] == [360] * 14


def test_a_recording_says_what_a_person_marked_before_the_record_it_concerns() -> None:
    items = lines("topped-up")
    at = next(n for n, line in enumerate(items) if line.get("command", {}).get("kind") == "mark")
    mark = items[at]["command"]
    assert (mark["note"], mark["litres"], mark["at_us"]) == ("topped-up", 60.0, EPOCH_US + round(4 * 3.6e9))
    assert (items[at + 1]["rows"]["seq"][0], mark["seq"]) == (4 * 360 + 1, 4 * 360 + 1)


def test_a_run_that_begins_at_the_filling_is_said_to_start_and_no_other() -> None:
    def notes(name: str) -> list[str]:
        return [line["command"].get("note", "") for line in lines(name) if "command" in line]

    assert notes("stuck-vat") == ["", "started"]
    assert notes("normal-night") == [""]


def test_a_recording_tells_the_faults_of_its_run_and_when_they_stand() -> None:
    # probe-knocked: from 3.0 h for good; unplugged: 2.0-2.5 h and 5.0-5.1 h (the summaries of the runs say so)
    assert lines("probe-knocked")[0]["faults"] == [{"fault": "knocked", "from_us": 10_800_000_000, "until_us": None}]
    assert lines("unplugged")[0]["faults"] == [
        {"fault": "unplugged", "from_us": 7_200_000_000, "until_us": 9_000_000_000},
        {"fault": "unplugged", "from_us": 18_000_000_000, "until_us": 18_360_000_000},
    ]


@pytest.mark.parametrize("poll_s", [1.0, 7.0, 5000.0])
def test_polls_of_any_pace_fill_the_run(poll_s: float) -> None:
    label = RecordingLabel(vat="v", probe="p", poll_s=poll_s, epoch_us=0)
    elapsed = [e for line in lines("garbled", label=label)[2:] for e in line["rows"]["elapsed_us"]]
    assert elapsed[-1] < 8 * 3.6e9 <= elapsed[-1] + poll_s * 1e6
    assert {b - a for a, b in pairwise(elapsed)} == {round(poll_s * 1e6)}


def test_the_calibration_is_a_least_squares_line_with_the_covariance_of_its_points() -> None:
    # independent: scipy.optimize.curve_fit with absolute sigma; u(E) 0.4 mV, u(buffer) 0.02/sqrt(3) pH
    fit: dict[str, Any] = calibration(Rig(find_run("normal-night"), 3), LABEL)
    points = fit["points"]
    ph, mv, c = (np.array([p[k] for p in points]) for k in ("buffer_ph", "potential_mv", "temperature_c"))
    x = (7 - ph) * nernst_slope_mv(c)
    sigma = np.hypot(0.4, fit["slope"] * nernst_slope_mv(25.0) * 0.02 / 3**0.5)
    best, covariance = optimize.curve_fit(
        lambda x, offset, slope: offset + slope * x, x, mv, p0=(0, 1), sigma=np.full(3, sigma), absolute_sigma=True
    )
    assert (fit["offset_mv"], fit["slope"]) == pytest.approx(best, rel=1e-6)
    assert (fit["var_offset"], fit["cov"], fit["var_slope"]) == pytest.approx(
        (covariance[0, 0], covariance[0, 1], covariance[1, 1]), rel=1e-5
    )
    assert (fit["at_us"], fit["low_ph"], fit["high_ph"]) == (EPOCH_US - 86_400_000_000, 4.01, 9.18)


@pytest.mark.parametrize("seed", range(5))
def test_the_calibration_finds_the_electrode_within_its_uncertainty(seed: int) -> None:
    rig = Rig(find_run("quiet-night"), seed)
    fit: dict[str, Any] = calibration(rig, LABEL)
    cell = rig.run.electrode
    day_before = cell.offset_mv - cell.drift_mv_per_day
    assert abs(fit["offset_mv"] - day_before) < 3 * fit["var_offset"] ** 0.5
    assert abs(fit["slope"] - cell.slope) < 3 * fit["var_slope"] ** 0.5
    assert fit["residual_mv"] < 2.0


def test_a_dip_is_toml_with_the_points_of_the_calibration() -> None:
    rig = Rig(find_run("normal-night"), 3)
    dip = tomllib.loads(buffer_readings_toml(rig, made_at="2026-11-23T18:00:00Z"))
    assert dip["made_at"] == datetime(2026, 11, 23, 18, tzinfo=UTC)
    assert (dip["simulated"], dip["by"]) == (True, "simulated person")
    assert dip["point"] == calibration(rig, LABEL)["points"]


@pytest.mark.parametrize("seed", range(3))
def test_a_quiet_night_is_quiet(seed: int) -> None:
    c = columns("quiet-night", seed=seed)
    assert not c["reason"].any()
    assert 3.6 < c["ph"].min() < c["ph"].max() < 3.9
    assert np.ptp(c["temperature_c"]) < 1.5
    assert np.max(np.abs(np.diff(c["potential_mv"]))) < 5.0
    assert longest_repeat(c["potential_mv"]) < 30 * 6  # half an hour; a flat line counts after 90 min


def longest_repeat(values: np.ndarray) -> int:
    changes = np.flatnonzero(np.diff(values) != 0)
    return int(np.max(np.diff(np.concatenate([[-1], changes, [len(values) - 1]]))))


def test_a_normal_night_falls_through_46() -> None:
    c = columns("normal-night")
    assert np.median(c["ph"][:60]) == pytest.approx(5.28, abs=0.05)
    assert np.median(c["ph"][-60:]) == pytest.approx(4.37, abs=0.05)
    assert not c["reason"].any()


def test_a_stuck_vat_does_not_acidify() -> None:
    c = columns("stuck-vat")
    assert np.all(c["ph"] > 5.8)


def test_a_ph_rise_leaves_46_upwards() -> None:
    c = columns("ph-rise")
    assert np.median(c["ph"][hour(c, 0, 1)]) < 3.85
    assert np.median(c["ph"][hour(c, 58, 59)]) < 4.6 < np.median(c["ph"][hour(c, 65, 66)])


def test_a_cold_night_goes_below_16() -> None:
    c = columns("cold-night")
    assert c["temperature_c"][hour(c, 0, 1)].min() > 19
    assert c["temperature_c"][-1] < 15


def test_a_knocked_probe_jumps_by_several_ph() -> None:
    c = columns("probe-knocked")
    wild = c["ph"][hour(c, 3.01, 8)]
    assert np.ptp(c["ph"][hour(c, 0, 3)]) < 0.5
    assert np.ptp(wild) > 5
    assert np.median(np.abs(np.diff(wild))) > 1


def test_a_probe_out_of_the_liquid_follows_the_room_and_wanders() -> None:
    c = columns("probe-out")
    inside, outside, back = hour(c, 2.5, 3.0), hour(c, 3.2, 5.0), hour(c, 5.3, 5.8)
    assert np.median(c["temperature_c"][outside]) < np.median(c["temperature_c"][inside]) - 3
    assert np.std(np.diff(c["ph"][outside])) > 5 * np.std(np.diff(c["ph"][inside]))
    assert np.median(c["temperature_c"][back]) == pytest.approx(np.median(c["temperature_c"][inside]), abs=1.2)
    assert np.median(c["ph"][back]) < np.median(c["ph"][inside])


def test_a_frozen_value_repeats_to_the_bit() -> None:
    c = columns("frozen")
    potential, both = hour(c, 2, 6), hour(c, 8, 12)
    assert len(np.unique(c["potential_mv"][potential])) == 1
    assert len(np.unique(c["temperature_c"][potential])) > 5
    assert len(np.unique(c["potential_mv"][both])) == len(np.unique(c["temperature_c"][both])) == 1
    assert len(np.unique(c["potential_mv"][hour(c, 6, 8)])) > 5


@pytest.mark.parametrize(
    ("name", "spans"),
    [
        ("unplugged", [(2.0, 2.5, 1), (5.0, 5.1, 1)]),
        ("slow", [(2.0, 2.5, 2)]),
        ("garbled", [(2.0, 2.5, 3)]),
        ("sensor-faults", [(4.0, 4.5, 5), (6.0, 6.5, 4)]),
        ("long-foam", [(3 + 16 / 60, 3 + 25 / 60, 1)]),
    ],
)
def test_a_fault_of_wire_or_instrument_is_recorded_with_its_reason(
    name: str, spans: list[tuple[float, float, int]]
) -> None:
    c = columns(name)
    expected = np.zeros(len(c["reason"]))
    for start, end, reason in spans:
        expected[hour(c, start, end)] = reason
    assert c["reason"].tolist() == expected.tolist()


def test_the_night_of_the_long_foam_goes_as_told() -> None:
    c = columns("long-foam")
    ph, temperature = c["ph"], c["temperature_c"]
    assert np.median(ph[hour(c, 0, 0.1)]) == pytest.approx(5.22, abs=0.03)
    assert np.ptp(ph[hour(c, 1 + 10 / 60, 1 + 16 / 60)]) > 0.6  # stirring at 19:10
    assert np.median(temperature[hour(c, 2, 2.1)]) > 20  # the heater fails at 20:06
    assert np.median(temperature[hour(c, 6.6, 7)]) < 18
    assert np.median(temperature[hour(c, 5.5, 6.5)]) < 15  # the foam has lifted the probe into the cold room
    assert np.ptp(ph[hour(c, 11.5, 12.1)]) > 5  # knocked at 05:26
    assert np.median(ph[hour(c, 10, 10.5)]) == pytest.approx(4.54, abs=0.05)
    assert np.median(temperature[hour(c, 12.5, 13)]) > 18


def test_an_unknown_run_names_the_nearest() -> None:
    with pytest.raises(LookupError, match=r"'quiet-nigth'; did you mean quiet-night"):
        find_run("quiet-nigth")
    with pytest.raises(LookupError, match="there are: normal-night, "):
        find_run("zzz")
