"""Make values of what people answer: names, numbers with a comma, times of day, hosts.

Law: pure, but for the time zone, which the machine knows. What cannot be used is a sentence (click.BadParameter).
"""

import os
import re
import unicodedata
from collections.abc import Mapping
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import click

NONE: Final = "-"
"""The answer for what is not wanted."""
LONGEST_VAT: Final = 34
"""The id of its probe has 6 characters more, and 40 at most."""
_SPELT: Final = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "æ": "ae", "ø": "oe", "å": "aa", "œ": "oe", "ł": "l", "đ": "d"}
)
"""Letters that are no letter with a mark, or are usually spelt by two."""
_CLOCK: Final = re.compile(r"(\d{1,2})[:.](\d\d)", re.ASCII)
LOCALTIME: Final = Path("/etc/localtime")
TIMEZONE: Final = Path("/etc/timezone")


def id_of(name: str) -> str:
    """Return the id for a name: `Kübel drei` is `kuebel-drei`; empty: no letter or digit of it can be in an id."""
    spelt = unicodedata.normalize("NFC", name).lower().translate(_SPELT)
    plain = unicodedata.normalize("NFKD", spelt).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:LONGEST_VAT].strip("-")


def name(text: str) -> str:
    """Return a name for people."""
    bare = " ".join(text.split())
    if any(unicodedata.category(one) in {"Cs", "Cc"} for one in bare):
        raise click.BadParameter("this name holds characters that cannot be read; type it anew, or in plain letters")
    if not bare:
        raise click.BadParameter("a vat has a name, such as North vat")
    return bare


def number(text: str) -> float:
    """Return a number, also one with a decimal comma."""
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        raise click.BadParameter(f"{text!r} is no number, such as 4.6 or 4,6") from None


def zone(text: str) -> str:
    """Return the name of a time zone."""
    if not _is_zone(text.strip()):
        example = "write a name of the IANA time zone database, such as Europe/Lisbon"
        raise click.BadParameter(f"{text!r} is no time zone; {example}")
    return text.strip()


def quiet(text: str) -> tuple[str, str] | None:
    """Return when quiet hours begin and end; None: there are none."""
    if text.strip() in {"", NONE}:
        return None
    times = [_time(part) for part in re.split(r"\s*(?:-|to)\s*", text.strip())]
    if len(times) != 2 or times[0] == times[1]:  # noqa: PLR2004 - from and to
        raise click.BadParameter(f"{text!r} is no time from and to, such as 22:00-07:00; {NONE} for none")
    return times[0], times[1]


def _time(text: str) -> str:
    match = _CLOCK.fullmatch(text)
    if match is None or int(match[1]) > 23 or int(match[2]) > 59:  # noqa: PLR2004 - hours and minutes
        raise click.BadParameter(f"{text!r} is no time of day, such as 22:00")
    return f"{int(match[1]):02}:{match[2]}"


def broker(text: str) -> tuple[str, int | None]:
    """Return host and port of a broker; the host empty: there is none; the port None: not said."""
    bare = text.strip()
    if bare in {"", NONE}:
        return "", None
    host, colon, port = bare.rpartition(":")
    if not colon or host.count(":"):  # a name or number alone, or the many colons of IPv6
        return bare, None
    if not port.isdecimal() or not 1 <= int(port) <= 65535:  # noqa: PLR2004 - sixteen bits
        raise click.BadParameter(f"{text!r} is no host and port, such as hub.local:1883")
    return host, int(port)


def optional(text: str) -> str:
    """Return a text; empty for none."""
    return "" if text.strip() == NONE else text.strip()


def machine_zone(
    environ: Mapping[str, str] = os.environ, *, localtime: Path = LOCALTIME, timezone: Path = TIMEZONE
) -> str:
    """Return the time zone of this machine by its IANA name; UTC where it does not say."""
    _, found, linked = os.path.realpath(localtime).partition("zoneinfo/")
    written = timezone.read_text(encoding="utf-8", errors="replace").strip() if timezone.is_file() else ""
    for text in (environ.get("TZ", "").removeprefix(":"), linked if found else "", written):
        if text and _is_zone(text):
            return text
    return "UTC"


def _is_zone(text: str) -> bool:
    try:
        ZoneInfo(text)
    except (OSError, ValueError, KeyError):
        return False
    return True
