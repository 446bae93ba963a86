"""Check that a probe can be polled and its lines can be read. Pure, like `checks.py`."""

import math
import re
from collections.abc import Iterator
from typing import Final

from logger.config import CalibrationLimits, ProbeConfig, QualityLimits, TextConfig
from logger.config.modbus import UNITS, ModbusConfig, NumberType, RegisterConfig
from logger.probe.protocols import entry
from logger.probe.textline import mistakes
from logger.settings.problems import Key, Problem, between, name_problems, wrong

_ROUNDING: Final = 1e-9
"""3 times 0.1 is a little more than 0.3 to a computer."""
_TICK_LIMITS: Final = 3
"""Time limits that one tick can use up: a reply, the other reply, the settling query after it."""
_GAP_POLLS: Final = 2
_MOST_READINGS: Final = 25_000
"""So many are looked back on in a few milliseconds."""
_BAUDS: Final = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)
_QUERY: Final = re.compile(
    r"[\x21-\x3a\x3c-\x7e][\x20-\x3a\x3c-\x7e]{0,98}\?(?: [\x21-\x3a\x3c-\x7e]{1,98})?", re.ASCII
)
"""Printable, no semicolon (two queries in one bring two numbers), the question mark perhaps before a parameter."""
_REMOTE_OPTION: Final = re.compile(r"ign_set_control|poll_modem|timeout=([1-9](\.[0-9]{1,3})?|10)", re.ASCII)
"""Those of pyserial's RFC 2217 port, but `logging`; at its time limit the port's thread says nothing."""
_LAST_REGISTER: Final = 65535
_LONGEST_TEXTS: Final = {"query": 100, "query_end": 8, "terminator": 8, "prompt": 20}
_LONGEST_WORD: Final = 20


def probe_problems(probe: ProbeConfig, *, accelerated: bool) -> Iterator[Problem]:
    """Yield what is wrong with a probe: its port, its line, its limits; `accelerated`: in simulated time."""
    key = ("probe", probe.id)
    yield from name_problems(key)
    yield from _port((*key, "port"), probe)
    yield from _line(key, probe)
    yield from _poll((*key, "poll_s"), probe, accelerated=accelerated)
    yield from _limits((*key, "limits"), probe.limits, poll_s=probe.poll_s)
    for low, high in _CALIBRATION_ORDER:
        yield from _order((*key, "calibration"), probe.calibration, low, high, may_be_equal=True)
    yield from _text((*key, "text"), probe)


def _poll(key: Key, probe: ProbeConfig, *, accelerated: bool) -> Iterator[Problem]:
    # Replies take real time, so a poll in accelerated time says nothing about how many limits fit into it.
    if not accelerated and probe.poll_s < _TICK_LIMITS * probe.timeout_s * (1 - _ROUNDING):
        reason = f"a poll can take {_TICK_LIMITS} times timeout_s ({probe.timeout_s:g} s)"
        remedy = f"poll every {_TICK_LIMITS * probe.timeout_s:g} s or more, or shorten timeout_s"
        yield wrong(key, probe.poll_s, reason, remedy)
    looked_back = probe.limits.flat_fail_s / probe.poll_s
    if looked_back > _MOST_READINGS:
        reason = f"each poll would look back on {looked_back:.0f} readings to tell a frozen one (limits.flat_fail_s)"
        remedy = f"poll every {math.ceil(probe.limits.flat_fail_s / _MOST_READINGS * 100) / 100:g} s or more"
        yield wrong(key, probe.poll_s, reason, remedy)


def _port(key: Key, probe: ProbeConfig) -> Iterator[Problem]:
    scheme, mark, rest = probe.port.partition("://")
    place, asks, options = rest.partition("?")
    address = re.fullmatch(r"[^/?#:@\s]+:([0-9]{1,5})", place)
    is_url = scheme in ("socket", "rfc2217") and address is not None and 0 < int(address[1]) < 65536  # noqa: PLR2004 - TCP
    if mark and not is_url:
        remedy = "write a device path, socket://host:port or rfc2217://host:port"
        yield wrong(key, probe.port, "this is no address of a serial port", remedy)
    elif asks and not (scheme == "rfc2217" and all(map(_REMOTE_OPTION.fullmatch, options.split("&")))):
        remedy = "only rfc2217 has some: ?ign_set_control, ?poll_modem, ?timeout=SECONDS (1 to 10), joined by &"
        yield wrong(key, probe.port, "this address has options that are not known", remedy)
    elif not mark and probe.port and entry(probe.protocol).needs_network:
        yield wrong(key, probe.port, "Modbus TCP is spoken over a network", 'write port = "socket://host:502"')


_ORDERED: Final = (
    ("fail_low_mv", "suspect_low_mv"),
    ("suspect_low_mv", "suspect_high_mv"),
    ("suspect_high_mv", "fail_high_mv"),
    ("fail_low_c", "fail_high_c"),
)
_NOT_ABOVE: Final = (("spike_suspect_mv", "spike_fail_mv"), ("flat_suspect_s", "flat_fail_s"))
_CALIBRATION_ORDER: Final = (
    ("slope_refuse_low_percent", "slope_warn_low_percent"),
    ("slope_warn_low_percent", "slope_warn_high_percent"),
    ("slope_warn_high_percent", "slope_refuse_high_percent"),
    ("offset_warn_mv", "offset_refuse_mv"),
    ("residual_warn_mv", "residual_refuse_mv"),
    ("temperature_spread_warn_c", "temperature_spread_refuse_c"),
    ("settle_warn_s", "settle_slow_s"),
)


def _limits(key: Key, limits: QualityLimits, *, poll_s: float) -> Iterator[Problem]:
    for low, high in _ORDERED:
        yield from _order(key, limits, low, high)
    for low, high in _NOT_ABOVE:
        yield from _order(key, limits, low, high, may_be_equal=True)
    if limits.max_gap_s < _GAP_POLLS * poll_s:
        reason = f"one lost poll would already be a gap (poll_s is {poll_s:g})"
        remedy = f"write {_GAP_POLLS * poll_s:g} or more"
        yield wrong((*key, "max_gap_s"), limits.max_gap_s, reason, remedy)


def _order(
    key: Key, limits: QualityLimits | CalibrationLimits, low: str, high: str, *, may_be_equal: bool = False
) -> Iterator[Problem]:
    lower, upper = getattr(limits, low), getattr(limits, high)
    if lower > upper or (lower == upper and not may_be_equal):
        reason = f"this must {'not be above' if may_be_equal else 'be below'} {high} ({upper:g})"
        yield wrong((*key, low), lower, reason, f"lower {low} or raise {high}")


def _line(key: Key, probe: ProbeConfig) -> Iterator[Problem]:
    """Check how a probe speaks."""
    if probe.baud not in _BAUDS:
        remedy = f"use one of {', '.join(map(str, _BAUDS))}"
        yield wrong((*key, "baud"), probe.baud, "there is no such rate", remedy)
    if probe.data_bits == 7 and entry(probe.protocol).is_binary:  # noqa: PLR2004 - the line above names both
        yield wrong((*key, "data_bits"), 7, f"{probe.protocol} sends all eight bits", "remove it")
    if probe.modbus is None and probe.protocol.table == "modbus":
        remedy = f"add [probe.{probe.id}.modbus] with address and the registers of potential and temperature"
        yield Problem(key=(*key, "modbus"), reason="nothing says what its registers hold", remedy=remedy)
    if probe.modbus is not None and probe.protocol.table != "modbus":
        remedy = 'write protocol = "modbus-rtu" (or "modbus-tcp"), or remove the table'
        yield Problem(key=(*key, "modbus"), reason=f"the protocol is {probe.protocol}", remedy=remedy)
    elif probe.modbus is not None:
        yield from _modbus((*key, "modbus"), probe, probe.modbus)
    if probe.protocol.table == "scpi":
        yield from _scpi((*key, "scpi"), probe)
    yield from _temperature((*key, "assumed_temperature_c"), probe)


def _scpi(key: Key, probe: ProbeConfig) -> Iterator[Problem]:
    for name in ("potential", "ph", "temperature"):
        query = getattr(probe.scpi, name)
        if query and not _QUERY.fullmatch(query):
            remedy = 'write one query such as "MEAS:VOLT:DC?", without what ends it'
            yield wrong((*key, name), query, "this is no query that brings one number", remedy)
    if not (probe.scpi.potential or probe.scpi.ph):
        remedy = "write the query for it, or for ph if the instrument reports no potential"
        yield wrong((*key, "potential"), "", "nothing asks for the potential", remedy)


def _temperature(key: Key, probe: ProbeConfig) -> Iterator[Problem]:
    assumed_c = probe.assumed_temperature_c
    if assumed_c is not None and probe.has_thermometer:
        yield wrong(
            key, assumed_c, "the probe reports its own temperature", "remove it, or do not read the thermometer"
        )
    reported_elsewhere = probe.protocol.table == "text" or probe.description is None
    if assumed_c is None and not probe.has_thermometer and not reported_elsewhere:
        remedy = "say where it reports one, or write assumed_temperature_c = (that of the vat)"
        yield Problem(key=key, reason="the probe reports no temperature, without which there is no pH", remedy=remedy)


def _modbus(key: Key, probe: ProbeConfig, here: ModbusConfig) -> Iterator[Problem]:
    if (addresses := entry(probe.protocol).address_range) is not None:
        yield from between((*key, "address"), here.address, low=addresses[0], high=addresses[1])
    if here.function not in (3, 4):
        remedy = "write 3 (holding registers) or 4 (input registers)"
        yield wrong((*key, "function"), here.function, "this function reads no registers", remedy)
    if here.potential is None and here.ph is None:
        remedy = "add potential = { number = ... }, or ph for a probe that reports no potential"
        yield Problem(key=(*key, "potential"), reason="no register holds the potential", remedy=remedy)
    if here.potential is not None and here.ph is not None:
        reason = "the potential is read and calibrated here, so the probe's own pH has no use"
        yield Problem(
            key=(*key, "ph"), reason=reason, remedy="remove it; keep it alone only for a probe without potential"
        )
    for name in UNITS:
        if getattr(here, name) is not None:
            yield from _register((*key, name), getattr(here, name))
    if not here.identify:
        yield from _unidentified(key, probe)


def _unidentified(key: Key, probe: ProbeConfig) -> Iterator[Problem]:
    if probe.identity is not None:
        reason, remedy = "the identity cannot be checked without asking for it", "remove identity, or identify = false"
        yield Problem(key=(*key, "identify"), value="false", reason=reason, remedy=remedy)


def _register(key: Key, config: RegisterConfig) -> Iterator[Problem]:
    last = _LAST_REGISTER + 1 - config.type.registers
    yield from between((*key, "number"), config.number, low=0, high=last)
    units = UNITS[key[-1]]
    if config.unit is not None and config.unit not in units:
        remedy = f"use one of {', '.join(units)}"
        yield wrong((*key, "unit"), str(config.unit), f"this is no unit of {key[-1]} here", remedy)
    if config.scale == 0:
        remedy = "write what one step of the number counts, such as 0.1"
        yield wrong((*key, "scale"), config.scale, "every value would be the same", remedy)
    if config.no_value and config.type is NumberType.FLOAT32:
        remedy = "remove it: not-a-number and infinity are known"
        yield Problem(key=(*key, "no_value"), reason="this is for whole numbers", remedy=remedy)


def _text(key: Key, probe: ProbeConfig) -> Iterator[Problem]:
    """Check the description of a probe's lines of text."""
    text = probe.text
    if text is None:
        if probe.protocol.table == "text":
            remedy = f"write [probe.{probe.id}.text] with pattern and example; `vatvigil listen` suggests both"
            yield Problem(key=key, reason='protocol = "text" needs the description of a line', remedy=remedy)
        return
    if probe.protocol.table != "text":
        reason = f"the protocol of this probe is {probe.protocol}, which has no use for it"
        yield Problem(key=key, reason=reason, remedy='write protocol = "text", or remove this table')
    yield from _bytes(key, text)
    yield from _words(key, text)
    if text.pattern and text.example:
        for name, reason, remedy in mistakes(text):
            yield wrong((*key, name), getattr(text, name), reason, remedy)


def _bytes(key: Key, text: TextConfig) -> Iterator[Problem]:
    """Check what is sent or compared byte by byte: each character must be one."""
    for name, longest in _LONGEST_TEXTS.items():
        value = getattr(text, name)
        if not all(ord(character) < 256 for character in value):  # noqa: PLR2004 - one byte
            yield wrong((*key, name), value, "each character here stands for one byte", "use characters below U+0100")
        elif len(value) > longest:
            yield wrong((*key, name), value, f"this is longer than {longest} characters", "write what the probe needs")
    if not text.terminator:
        remedy = r'write what ends a line, such as "\n" or "\r"'
        yield Problem(key=(*key, "terminator"), reason="only whole lines are read", remedy=remedy)
    if text.echo and not text.query:
        yield Problem(
            key=(*key, "echo"), reason="without a query nothing is repeated", remedy="write query, or remove it"
        )


def _words(key: Key, text: TextConfig) -> Iterator[Problem]:
    for name in ("overrange_words", "no_value_words"):
        for word in getattr(text, name):
            if not (word.strip() and len(word) <= _LONGEST_WORD and word.isprintable()) or word.strip("+-.").isdigit():
                remedy = f"write words of 1 to {_LONGEST_WORD} printable characters that are no numbers"
                yield wrong((*key, name), word, "this cannot stand for a missing value", remedy)
