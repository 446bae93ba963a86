"""What a configuration must mean to be run: ranges, references, contradictions.

Law: pure; every check looks at the finished objects, so that defaults are checked like what was written. A check that
cannot judge, because what it needs is missing, is silent: the missing is reported elsewhere.
"""

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import fields
from typing import Final

from logger.config import Config, ProbeConfig, QualityLimits
from logger.settings import ranges
from logger.settings.alarm_checks import vat_problems
from logger.settings.broker_checks import broker_problems
from logger.settings.calibration_checks import buffer_problems, electrode_problems
from logger.settings.hook_checks import hook_problems
from logger.settings.line_checks import line_problems, shared_problems
from logger.settings.problems import Key, Problem, suggestion
from logger.settings.ranges import wrong
from logger.settings.system_checks import system_problems
from logger.settings.text_checks import text_problems

_ROUNDING: Final = 1e-9
"""3 times 0.1 is a little more than 0.3 to a computer."""
_TICK_LIMITS: Final = 3
"""Time limits that one tick can use up: a reply, the other reply, the settling query after it."""
_GAP_POLLS: Final = 2
_MOST_READINGS: Final = 25_000
"""So many are looked back on in a few milliseconds."""


def problems(config: Config, *, broken_probes: Iterable[str] = ()) -> Iterator[Problem]:
    """Yield what is wrong; `broken_probes` are reported already, so that a reference to one is no second problem."""
    if not config.probes and not broken_probes:
        yield Problem(key=("probe",), reason="no probe is configured", remedy="add a table [probe.some-id] with a port")
    if not config.vats:
        yield Problem(
            key=("vat",), reason="no vat is configured", remedy="add a table [vat.some-id] that names its probe"
        )
    for probe in config.probes:
        yield from _probe(probe, accelerated=config.simulated)
        yield from electrode_problems(probe)
        yield from text_problems(probe)
    yield from shared_problems(config.probes)
    if config.vats:
        yield from _references(config, set(broken_probes))
    probes = {probe.id: probe for probe in config.probes}
    for vat in config.vats:
        yield from vat_problems(vat, probes.get(vat.probe))
    for buffer in config.buffers:
        yield from buffer_problems(buffer)
    if config.mqtt is not None:
        yield from broker_problems(config.mqtt)
    if config.hook is not None:
        yield from hook_problems(config.hook)
    yield from system_problems(config.system)
    yield from _rest(config)


def _rest(config: Config) -> Iterator[Problem]:
    if config.store_url and not re.match(r"(sqlite|postgresql)(\+[a-z0-9_]+)?://", config.store_url):
        remedy = "write postgresql://user@host/database, or use path for a file"
        yield Problem(key=("store", "url"), reason="this is no address of a database that is known here", remedy=remedy)
    if config.backup_dir is not None and config.store_url.startswith("postgresql"):
        reason = "daily copies are made of a database file only"
        remedy = "remove it and back up the server by its own means"
        yield Problem(key=("store", "backup_dir"), reason=reason, remedy=remedy)
    if config.simulation is not None:
        yield from ranges.between(("simulation", "speed"), config.simulation.speed, low=0.001, high=1e6)


def _probe(probe: ProbeConfig, *, accelerated: bool) -> Iterator[Problem]:
    key = ("probe", probe.id)
    yield from ranges.name(key)
    yield from ranges.between((*key, "poll_s"), probe.poll_s, low=0.01, high=3600)
    yield from ranges.between((*key, "timeout_s"), probe.timeout_s, low=0.01, high=60)
    yield from ranges.text((*key, "identity"), probe.identity, longest=200)
    yield from _port((*key, "port"), probe.port)
    yield from line_problems(probe)
    # Replies take real time, so a poll in accelerated time says nothing about how many limits fit into it.
    if not accelerated and probe.poll_s < _TICK_LIMITS * probe.timeout_s * (1 - _ROUNDING):
        reason = f"a poll can take {_TICK_LIMITS} times timeout_s ({probe.timeout_s:g} s)"
        remedy = f"poll every {_TICK_LIMITS * probe.timeout_s:g} s or more, or shorten timeout_s"
        yield wrong((*key, "poll_s"), probe.poll_s, reason, remedy)
    looked_back = probe.limits.flat_fail_s / probe.poll_s if probe.poll_s > 0 else 0.0
    if looked_back > _MOST_READINGS:
        reason = f"each poll would look back on {looked_back:.0f} readings to tell a frozen one (limits.flat_fail_s)"
        remedy = f"poll every {math.ceil(probe.limits.flat_fail_s / _MOST_READINGS * 100) / 100:g} s or more"
        yield wrong((*key, "poll_s"), probe.poll_s, reason, remedy)
    yield from _limits((*key, "limits"), probe.limits, poll_s=probe.poll_s)
    for field in fields(probe.errors):
        yield from ranges.between((*key, "errors", field.name), getattr(probe.errors, field.name), low=0, high=1000)


def _port(key: Key, port: str) -> Iterator[Problem]:
    scheme, mark, rest = port.partition("://")
    address = re.fullmatch(r"[^/?#:@\s]+:([0-9]{1,5})", rest)
    is_url = scheme in ("socket", "rfc2217") and address is not None and 0 < int(address[1]) < 65536  # noqa: PLR2004 - TCP
    if mark and not is_url:
        remedy = "write a device path, socket://host:port or rfc2217://host:port"
        yield wrong(key, port, "this is no address of a serial port", remedy)
    elif not mark and port:
        yield from ranges.text(key, port, longest=200)


_ORDERED: Final = (
    ("fail_low_mv", "suspect_low_mv"),
    ("suspect_low_mv", "suspect_high_mv"),
    ("suspect_high_mv", "fail_high_mv"),
    ("fail_low_c", "fail_high_c"),
)
_NOT_ABOVE: Final = (("spike_suspect_mv", "spike_fail_mv"), ("flat_suspect_s", "flat_fail_s"))
_POSITIVE: Final = (
    "jump_mv",
    "rate_mv_per_s",
    "spike_suspect_mv",
    "spike_fail_mv",
    "flat_suspect_s",
    "flat_fail_s",
    "witness_window_s",
    "witness_rate_c_per_h",
    "witness_spread_c",
    "witness_noise_mv",
    "erratic_spread_mv",
)


def _limits(key: Key, limits: QualityLimits, *, poll_s: float) -> Iterator[Problem]:
    for low, high in _ORDERED:
        yield from _order(key, limits, low, high, is_below=getattr(limits, low) < getattr(limits, high))
    for low, high in _NOT_ABOVE:
        yield from _order(key, limits, low, high, is_below=getattr(limits, low) <= getattr(limits, high))
    for name in _POSITIVE:
        if getattr(limits, name) <= 0:
            yield wrong((*key, name), getattr(limits, name), "this must be above 0", "write a larger number")
    if limits.flat_tolerance_mv < 0:
        value = limits.flat_tolerance_mv
        yield wrong((*key, "flat_tolerance_mv"), value, "this must be 0 or above", "write a larger number")
    if limits.max_gap_s < _GAP_POLLS * poll_s:
        reason = f"one lost poll would already be a gap (poll_s is {poll_s:g})"
        remedy = f"write {_GAP_POLLS * poll_s:g} or more"
        yield wrong((*key, "max_gap_s"), limits.max_gap_s, reason, remedy)


def _order(key: Key, limits: QualityLimits, low: str, high: str, *, is_below: bool) -> Iterator[Problem]:
    if not is_below:
        reason = f"this must be below {high} ({getattr(limits, high):g})"
        yield wrong((*key, low), getattr(limits, low), reason, f"lower {low} or raise {high}")


def _references(config: Config, broken: set[str]) -> Iterator[Problem]:
    known = {probe.id for probe in config.probes}
    users: dict[str, str] = {}
    for vat in config.vats:
        key = ("vat", vat.reference_of, "reference") if vat.reference_of else ("vat", vat.id, "probe")
        if vat.probe and vat.probe not in known | broken:
            yield wrong(key, vat.probe, "there is no such probe", suggestion(vat.probe, known))
        first = users.setdefault(vat.probe, vat.id) if vat.probe else vat.id
        if first != vat.id:
            remedy = "one probe watches one vat; name another probe"
            yield wrong(key, vat.probe, f"vat {first!r} has this probe already", remedy)
    idle = known - set(users) if users.keys() <= known else set()  # a mistyped reference is told above
    for probe_id in sorted(idle):
        remedy = "name it in a vat, or remove its table"
        yield Problem(key=("probe", probe_id), reason="no vat has this probe", remedy=remedy)
