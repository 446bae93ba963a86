"""Frozen data, changed the same way whether it is a struct or a dataclass."""

import dataclasses
import re
from pathlib import Path

import pytest

from logger.config import MqttConfig
from logger.structs import Struct, field_names, replace

HERE = Path(__file__).parent
FILES = [*(HERE.parent / "logger").rglob("*.py"), *HERE.rglob("*.py")]


class Pair(Struct, frozen=True, kw_only=True):
    left: int
    right: int = 2


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class OldPair:
    left: int
    right: int = 2


@pytest.mark.parametrize("kind", [Pair, OldPair])
def test_a_copy_has_the_other_value_and_the_old_one_stays(kind: type[Pair | OldPair]) -> None:
    pair = kind(left=1)
    assert replace(pair, right=3) == kind(left=1, right=3)
    assert pair == kind(left=1, right=2)
    assert field_names(kind) == field_names(pair) == ("left", "right")


@pytest.mark.parametrize("kind", [Pair, OldPair])
def test_a_field_that_is_not_there_is_refused(kind: type[Pair | OldPair]) -> None:
    with pytest.raises(TypeError, match="middle"):
        replace(kind(left=1), middle=3)  # type: ignore[call-arg] # that is the point


def test_no_secret_is_printed_and_all_else_is() -> None:
    printed = repr(MqttConfig(host="broker.example", password="sesame"))  # noqa: S106 - it opens nothing
    assert "sesame" not in printed
    assert printed.startswith("MqttConfig(host='broker.example', port=1883, ")


def test_nothing_takes_replace_from_dataclasses_which_refuses_structs() -> None:
    # mypy lets it pass, for it takes a struct for a dataclass
    taken = re.compile(r"^ *from dataclasses import (\([^)]*|[^(\n]*)\breplace\b", re.MULTILINE)
    assert [path.name for path in FILES if taken.search(path.read_text(encoding="utf-8"))] == ["structs.py"]
