"""Profiles: alarms by kind of ferment, and what is written over them.

Their figures are common practice, no source.
"""

from pathlib import Path

import pytest

from logger.config import AlarmConfig, AlarmKind, Priority, TargetConfig
from logger.errors import ConfigurationError
from logger.settings import load
from logger.settings.profiles import Profile

LEAST = '[store]\npath = "s"\n[probe.p]\nport = "/dev/null"\n[vat.v]\nprobe = "p"\n'


def alarms(folder: Path, text: str) -> dict[str, AlarmConfig]:
    path = folder / "vatvigil.toml"
    path.write_text(LEAST + text, encoding="utf-8")
    return {alarm.id: alarm for alarm in load(path, environ={}).vats[0].alarms}


@pytest.mark.parametrize(
    ("profile", "setpoints"),
    [
        ("lactic-vegetables", (3.0, 0.10, 16, 24, 10, 30)),
        ("brined-cucumbers", (3.0, 0.10, 18, 30, 12, 35)),
        ("vinegar", (2.2, 0.08, 25, 32, 20, 36)),
        ("kombucha", (2.5, 0.15, 21, 29, 18, 32)),
    ],
)
def test_a_profile_brings_its_alarms(tmp_path: Path, profile: str, setpoints: tuple[float, ...]) -> None:
    by_id = alarms(tmp_path, f'profile = "{profile}"\n')
    names = ("ph-low", "rise", "cool", "warm", "temperature-low", "temperature-high")
    assert tuple(by_id[name].setpoint for name in names) == setpoints
    assert by_id["rate-of-change"].setpoint == 0.5
    assert by_id["rise"].armed_ph == 4.5
    assert by_id["temperature-low"].priority is Priority.HIGH
    assert {"early-rise", "no-data", "blind", "trust-lost", "trust-doubted"} < set(by_id)


@pytest.mark.parametrize(
    ("profile", "course"),
    [("lactic-vegetables", (66, 84, 4.6)), ("brined-cucumbers", (72, 96, 4.6)), ("kombucha", (72, 96, 4.2))],
)
def test_a_profile_watches_how_a_batch_begins_and_goes_on(
    tmp_path: Path, profile: str, course: tuple[float, ...]
) -> None:
    by_id = alarms(tmp_path, f'profile = "{profile}"\n')
    slow, none, stall = by_id["slow-start"], by_id["no-start"], by_id["stall"]
    assert (slow.setpoint, none.setpoint, stall.above_ph) == course
    assert (slow.priority, none.priority, stall.priority) == (Priority.MEDIUM, Priority.HIGH, Priority.MEDIUM)
    assert (slow.kind, none.kind, slow.window_s) == (AlarmKind.NO_START, AlarmKind.NO_START, 3600.0)
    assert (stall.setpoint, stall.on_delay_s) == (0.006, 6 * 3600.0)


def test_that_a_fall_breaks_off_is_a_notice_of_vegetables_and_not_of_tea(tmp_path: Path) -> None:
    broke_off = alarms(tmp_path, 'profile = "lactic-vegetables"\n')["fall-broke-off"]
    assert (broke_off.setpoint, broke_off.on_delay_s, broke_off.priority) == (25, 3600.0, Priority.LOW)
    assert "fall-broke-off" not in alarms(tmp_path, 'profile = "kombucha"\n')


def test_vinegar_is_titrated_so_its_course_raises_nothing(tmp_path: Path) -> None:
    assert not {"slow-start", "no-start", "stall", "fall-broke-off"} & set(alarms(tmp_path, 'profile = "vinegar"\n'))


@pytest.mark.parametrize(
    ("profile", "target_ph", "deadlines_h"),
    [
        ("lactic-vegetables", 4.6, (72, 120)),
        ("brined-cucumbers", 4.6, (96, 168)),
        ("kombucha", 4.2, (120, 168)),
        ("vinegar", None, None),
    ],
)
def test_a_profile_brings_its_target_and_the_hours_it_is_to_be_shown_in(
    tmp_path: Path, profile: str, target_ph: float | None, deadlines_h: tuple[float, float] | None
) -> None:
    by_id = alarms(tmp_path, f'profile = "{profile}"\n')
    target = load(tmp_path / "vatvigil.toml", environ={}).vats[0].target
    assert target == (target_ph and TargetConfig(ph=target_ph))
    assert ("claim-withdrawn" in by_id) == (target is not None)
    soft, hard = by_id.get("deadline-warning"), by_id.get("deadline")
    assert (soft and hard and (soft.setpoint, hard.setpoint)) == deadlines_h
    if soft and hard:
        assert (soft.priority, hard.priority) == (Priority.MEDIUM, Priority.HIGH)


def test_a_target_is_written_over_its_profile_key_by_key_or_without_one(tmp_path: Path) -> None:
    alarms(tmp_path, 'profile = "kombucha"\n[vat.v.target]\nwindows = 6\nwindow_s = 300\n')
    (vat,) = load(tmp_path / "vatvigil.toml", environ={}).vats
    assert vat.target == TargetConfig(ph=4.2, windows=6, window_s=300.0)
    own = '[profile.beets]\nbase = "kombucha"\n[profile.beets.target]\nwindows = 2\n'
    alarms(tmp_path, f'profile = "beets"\n[vat.v.target]\nwindow_s = 300\n{own}')
    (vat,) = load(tmp_path / "vatvigil.toml", environ={}).vats
    assert vat.target == TargetConfig(ph=4.2, windows=2, window_s=300.0)
    by_id = alarms(tmp_path, "[vat.v.target]\nprobability = 0.99\n")
    (vat,) = load(tmp_path / "vatvigil.toml", environ={}).vats
    assert vat.target == TargetConfig(probability=0.99)
    assert (by_id["claim-withdrawn"].priority, by_id["claim-withdrawn"].latching) == (Priority.HIGH, True)


def test_every_profile_is_spelt_out_here() -> None:
    assert set(Profile) == {"lactic-vegetables", "brined-cucumbers", "vinegar", "kombucha"}


def test_what_is_written_stands_over_the_profile_key_by_key(tmp_path: Path) -> None:
    by_id = alarms(tmp_path, 'profile = "vinegar"\n[vat.v.alarm.warm]\nsetpoint = 33\n')
    assert by_id["warm"] == AlarmConfig(
        id="warm", kind=AlarmKind.TEMPERATURE_HIGH, setpoint=33, deadband=0.5, on_delay_s=3600.0
    )
    assert by_id["cool"].setpoint == 25


def test_an_alarm_of_another_kind_takes_nothing_from_the_profile_s_of_its_name(tmp_path: Path) -> None:
    by_id = alarms(tmp_path, 'profile = "vinegar"\n[vat.v.alarm.warm]\nkind = "ph-high"\nsetpoint = 4.0\n')
    assert by_id["warm"] == AlarmConfig(id="warm", kind=AlarmKind.PH_HIGH, setpoint=4.0, deadband=0.05)


def test_an_unknown_profile_is_told_with_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="there is no such profile; did you mean 'vinegar'"):
        alarms(tmp_path, 'profile = "vinegr"\n')


def test_without_a_profile_only_what_is_written_and_what_is_always_there_are_there(tmp_path: Path) -> None:
    upkeep = {"no-calibration", "calibration-overdue", "check-overdue", "cleaning-overdue", "buffer-expired", "drifted"}
    assert set(alarms(tmp_path, "")) == {"early-rise", "no-data", "blind", "trust-lost", "trust-doubted", *upkeep}


OWN = """
[profile.barrel]
base = "lactic-vegetables"
[profile.barrel.alarm.warm]
setpoint = 22
[profile.barrel.alarm.ph-low]
kind = "ph-high"
setpoint = 6.0
[profile.barrel.alarm.hot]
kind = "temperature-high"
setpoint = 28
"""


def test_a_profile_of_one_s_own_stands_over_its_base_key_by_key(tmp_path: Path) -> None:
    by_id = alarms(tmp_path, 'profile = "barrel"\n' + OWN)
    assert (by_id["warm"].setpoint, by_id["warm"].on_delay_s, by_id["cool"].setpoint) == (22, 3600, 16)
    assert by_id["ph-low"] == AlarmConfig(id="ph-low", kind=AlarmKind.PH_HIGH, setpoint=6.0, deadband=0.05)
    assert by_id["hot"] == AlarmConfig(id="hot", kind=AlarmKind.TEMPERATURE_HIGH, setpoint=28, deadband=0.5)


def test_what_a_vat_says_stands_over_a_profile_of_one_s_own(tmp_path: Path) -> None:
    by_id = alarms(tmp_path, 'profile = "barrel"\n[vat.v.alarm.warm]\nsetpoint = 23\n' + OWN)
    assert (by_id["warm"].setpoint, by_id["warm"].on_delay_s) == (23, 3600)
