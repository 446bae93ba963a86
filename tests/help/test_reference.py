"""The tables of the help, against the declarations that they are made from."""

from typing import Annotated, get_type_hints

from annotated_types import Ge, Gt, Interval, Le
from msgspec import Struct
from msgspec.structs import fields

from logger.config import AlarmKind, Priority
from logger.measure.buffers import BUFFERS
from logger.mqtt.schemas.generate import KINDS
from logger.report import reference
from logger.report.reference.settings import bounds_of, default_of
from logger.settings.profiles import Profile


class Sample(Struct, frozen=True):
    needed: int
    bounded: Annotated[float, Interval(ge=0.5, le=3600)] = 2.0
    both_ends: Annotated[float, Ge(0), Le(7)] = 1.0
    optional: Annotated[float, Ge(1)] | None = None
    positive: Annotated[float, Gt(0)] = 0.006
    chosen: Priority = Priority.LOW
    words: tuple[str, ...] = ("a", "b")
    switch: bool = False
    end: str = "\r\n"


def test_a_default_is_written_as_in_the_file() -> None:
    told = {field.name: default_of(field) for field in fields(Sample)}
    assert told == {
        "needed": "needed",
        "bounded": "2",
        "both_ends": "1",
        "optional": "none",
        "positive": "0.006",
        "chosen": '"low"',
        "words": '["a", "b"]',
        "switch": "false",
        "end": r'"\r\n"',
    }


def test_bounds_come_from_what_stands_beside_the_type() -> None:
    hints = get_type_hints(Sample, include_extras=True)
    told = {name: bounds_of(hint) for name, hint in hints.items() if bounds_of(hint)}
    assert told == {
        "bounded": "0.5 to 3600",
        "both_ends": "0 to 7",
        "optional": "at least 1",
        "positive": "above 0",
        "chosen": "high | medium | low",
    }


def test_every_kind_of_alarm_is_in_its_table_and_is_explained() -> None:
    made = reference.text("alarms")
    vats, system = made.split("## System alarms")
    told = {
        kind: f"| `{kind}` " in vats and f"`{kind}`" in vats.split("## What each kind judges")[1]
        for kind in AlarmKind.of_vats()
    }
    assert [kind for kind, is_told in told.items() if not is_told] == []
    own = [kind for kind in AlarmKind if kind.is_system and kind is not AlarmKind.REHEARSAL]
    assert [kind for kind in own if f"| `{kind}` " not in system or f"- `{kind}`: " not in system] == []
    assert [profile for profile in Profile if profile not in made] == []


def test_every_buffer_and_every_message_has_its_table() -> None:
    assert [name for name in BUFFERS if f"`{name}`" not in reference.text("calibrating")] == []
    # GB/T 27501, potassium hydrogen phthalate: 4.003 at 25 C.
    row = next(
        line for line in reference.TABLES["buffers"]().split("GB/T")[1].splitlines() if line.startswith("| 25 C")
    )
    assert "4.003" in row
    assert [kind.name for kind in KINDS if f"**{kind.name}**" not in reference.text("mqtt")] == []
