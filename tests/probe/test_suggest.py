"""Descriptions made of lines: each is tried as the settings and the watch would, on lines that it was not made of."""

import tomllib

import pytest

from logger.config import Checksum, ProbeConfig, TextConfig
from logger.probe.checksum import check_value
from logger.probe.suggest import description_toml, suggest_description
from logger.probe.textline import Description, TextFault, TextReading, mistakes


def checked(kind: Checksum, body: str, mark: str) -> str:
    return f"${body}{mark}{check_value(kind, body.encode()):0{2 if kind is Checksum.XOR_8 else 4}X}"


LINES = [
    (["+171.2 mV  20.1 C", " +99.4 mV  20.1 C", "  -3.4 mV   9.9 C"], "-12.0 mV 5.0 C", (-12.0, None, 5.0)),
    (["N7 pH=4.52 E=171.2 mV T=20.1"] * 3, "N7 pH=4.49 E=-1.0 mV T=19.0", (-1.0, None, 19.0)),
    (["pH 4.52 20.1 C ok"] * 3, "pH 12.1 5.0 C ok", (None, 12.1, 5.0)),
    (["171,2 mV 20,1 °C"] * 3, "9,9 mV 20,1 °C", (9.9, None, 20.1)),
    ([f"12:30:0{second} CH1 171.2 mV 20 C" for second in range(4)], "23:59:59 CH1 -1.0 mV 9 C", (-1.0, None, 9.0)),
    (["mV=171 T=20.5"] * 3, "mV=-5 T=20.0", (-5.0, None, 20.0)),
    (
        [checked(Checksum.XOR_8, f"mv=17{last}.2 t=20.10", "*") for last in range(4)],
        checked(Checksum.XOR_8, "mv=-5.0 t=9.50", "*"),
        (-5.0, None, 9.5),
    ),
    (
        [checked(Checksum.CRC_16_XMODEM, f"17{last}.2 mV 20 C", ";") for last in range(4)],
        checked(Checksum.CRC_16_XMODEM, "-5.5 mV 9 C", ";"),
        (-5.5, None, 9.0),
    ),
]


@pytest.mark.parametrize(("lines", "other", "says"), LINES)
def test_a_description_made_of_some_lines_reads_others_of_their_form(
    lines: list[str], other: str, says: tuple[float | None, ...]
) -> None:
    made = suggest_description([line.encode() for line in lines], terminator="\n")
    assert made.text is not None, made.explanation
    assert list(mistakes(made.text)) == []
    assert made.explanation == f"it reads {len(lines)} of the {len(lines)} lines that came"
    read = Description(made.text).decode(other.encode())
    assert isinstance(read, TextReading), read
    assert (read.potential_mv, read.ph, read.temperature_c) == says


def test_a_check_value_is_found_only_where_every_line_agrees() -> None:
    lines = [checked(Checksum.XOR_8, f"mv=17{last}.2 t=20.10", "*").encode() for last in range(4)]
    made = suggest_description(lines, terminator="\n")
    assert made.text is not None
    assert made.text.checksum is Checksum.XOR_8
    assert isinstance(Description(made.text).decode(lines[0].replace(b"170.2", b"170.3")), TextFault)


@pytest.mark.parametrize(
    ("lines", "explanation"),
    [
        ([b"171.2 mV"], "1 whole lines are too few, 3 are wanted; listen longer"),
        (
            [b"171.2 20.1"] * 3,
            "no number has the unit mV or pH beside it: write the pattern by hand, marking what is what",
        ),
        ([b"\xb1\xb7", b"\x80\x81", b"\xffx"], "the lines have no form in common; is it the right baud rate?"),
    ],
)
def test_where_lines_do_not_say_what_a_number_is_nothing_is_suggested(lines: list[bytes], explanation: str) -> None:
    assert suggest_description(lines, terminator="\n").explanation == explanation


@pytest.mark.parametrize("example", ['it\'s "so" 1.0 mV', "a\\b 1.0 mV", "°\t1.0 mV"])
def test_a_description_is_written_as_toml_reads_it(example: str) -> None:
    text = TextConfig(pattern=r"\S+(?P<mv>\d+\.\d) mV", example=example, query="READ?\x05", terminator="\r", echo=True)
    (probe,) = tomllib.loads(description_toml(text, ProbeConfig(id="p", port="/dev/x", baud=1200)))["probe"].values()
    assert (probe["port"], probe["protocol"], probe["baud"]) == ("/dev/x", "text", 1200)
    assert probe["text"] == {
        "pattern": text.pattern,
        "example": example,
        "query": "READ?\x05",
        "terminator": "\r",
        "echo": True,
    }
