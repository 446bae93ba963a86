"""What people answer, as values."""

from pathlib import Path

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.cli import _init_values as values
from logger.settings.problems import name_problems


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("Kübel drei", "kuebel-drei"),
        ("Søndre fad Å", "soendre-fad-aa"),
        ("  North   vat  ", "north-vat"),
        ("Crème brûlée no. 2", "creme-brulee-no-2"),
        ("u\u0308ber", "ueber"),  # written with a combining mark
        ("vat_1/2", "vat-1-2"),
        ("ЧАН", ""),
        ("x" * 50, "x" * 34),
    ],
)
def test_an_id_is_made_of_a_name(name: str, wanted: str) -> None:
    assert values.id_of(name) == wanted


@given(st.text(max_size=60))
def test_whatever_it_is_called_the_id_of_its_probe_can_be_used(name: str) -> None:
    made = values.id_of(name)
    assert made == "" or list(name_problems(("probe", f"{made}-probe"))) == []


@pytest.mark.parametrize(("text", "wanted"), [("4,6", 4.6), (" 4.6 ", 4.6), ("-2", -2.0)])
def test_a_number_may_have_a_comma(text: str, wanted: float) -> None:
    assert values.number(text) == wanted


@pytest.mark.parametrize("text", ["", "4,6,7", "four"])
def test_what_is_no_number_is_told(text: str) -> None:
    with pytest.raises(click.BadParameter, match=r"is no number, such as 4\.6 or 4,6"):
        values.number(text)


def test_a_name_that_cannot_be_read_is_asked_for_again() -> None:
    with pytest.raises(click.BadParameter, match="cannot be read"):
        values.name("K\udcfcbel")  # bytes of Latin-1 at a terminal of UTF-8
    with pytest.raises(click.BadParameter, match="a vat has a name"):
        values.name("  ")


@pytest.mark.parametrize(
    ("text", "wanted"),
    [("22:00-07:00", ("22:00", "07:00")), ("9.30 to 6:15", ("09:30", "06:15")), ("-", None), ("", None)],
)
def test_quiet_hours_are_from_and_to(text: str, wanted: tuple[str, str] | None) -> None:
    assert values.quiet(text) == wanted


@pytest.mark.parametrize("text", ["22:00", "22:00-22:00", "22:00-24:00", "evening", "22:00-07:00-08:00"])
def test_what_are_no_quiet_hours_is_told(text: str) -> None:
    with pytest.raises(click.BadParameter, match="such as 22:00"):
        values.quiet(text)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("hub.local", ("hub.local", None)),
        ("hub:1884", ("hub", 1884)),
        ("-", ("", None)),
        ("fe80::1", ("fe80::1", None)),
    ],
)
def test_a_broker_is_a_host_and_a_port(text: str, wanted: tuple[str, int | None]) -> None:
    assert values.broker(text) == wanted


@pytest.mark.parametrize("text", ["hub:0", "hub:mqtt", "hub:70000"])
def test_what_is_no_port_is_told(text: str) -> None:
    with pytest.raises(click.BadParameter, match="is no host and port"):
        values.broker(text)


def test_the_zone_of_the_machine_is_named_as_the_database_names_it(tmp_path: Path) -> None:
    zone = tmp_path / "zoneinfo" / "Europe" / "Lisbon"
    zone.parent.mkdir(parents=True)
    zone.touch()
    localtime, timezone = tmp_path / "localtime", tmp_path / "timezone"
    assert values.machine_zone({}, localtime=localtime, timezone=timezone) == "UTC"
    timezone.write_text("Europe/Paris\n")
    assert values.machine_zone({}, localtime=localtime, timezone=timezone) == "Europe/Paris"
    localtime.symlink_to(zone)
    assert values.machine_zone({}, localtime=localtime, timezone=timezone) == "Europe/Lisbon"
    assert values.machine_zone({"TZ": ":Asia/Tokyo"}, localtime=localtime, timezone=timezone) == "Asia/Tokyo"
    assert values.machine_zone({"TZ": "CET-1CEST"}, localtime=localtime, timezone=timezone) == "Europe/Lisbon"
