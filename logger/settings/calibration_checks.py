"""What the limits of a calibration and the buffers on the shelf must mean to be used. Pure, like `checks.py`."""

from collections.abc import Iterator
from dataclasses import fields
from typing import Final

from logger.config import BufferConfig, CalibrationLimits, ProbeConfig
from logger.errors import RefusedError
from logger.measure import buffers
from logger.settings import ranges
from logger.settings.problems import Key, Problem, suggestion
from logger.settings.ranges import wrong

_NOT_ABOVE: Final = (
    ("slope_refuse_low_percent", "slope_warn_low_percent"),
    ("slope_warn_low_percent", "slope_warn_high_percent"),
    ("slope_warn_high_percent", "slope_refuse_high_percent"),
    ("offset_warn_mv", "offset_refuse_mv"),
    ("residual_warn_mv", "residual_refuse_mv"),
    ("temperature_spread_warn_c", "temperature_spread_refuse_c"),
    ("settle_warn_s", "settle_slow_s"),
)
_LARGEST: Final = 3600.0


def electrode_problems(probe: ProbeConfig) -> Iterator[Problem]:
    """Yield what is wrong with a probe's electrode, its calibration limits, tolerances and intervals."""
    key = ("probe", probe.id)
    yield from _limits((*key, "calibration"), probe.calibration)
    if probe.electrode:
        yield from ranges.text((*key, "electrode"), probe.electrode, longest=60)
    for name in ("check_tolerance_ph", "judge_tolerance_ph"):
        yield from ranges.between((*key, name), getattr(probe, name), low=0.005, high=1)
    for name in ("calibrate_every_d", "check_every_d"):
        yield from ranges.between((*key, name), getattr(probe, name), low=0.04, high=366)


def buffer_problems(buffer: BufferConfig) -> Iterator[Problem]:
    """Yield what is wrong with a buffer on the shelf."""
    key = ("buffer", buffer.id)
    yield from ranges.between((*key, "u_ph"), buffer.u_ph, low=0.0005, high=0.5)
    for name in ("standard", "lot"):
        if getattr(buffer, name):
            yield from ranges.text((*key, name), getattr(buffer, name), longest=60)
    if buffer.values_ph and buffer.id in buffers.BUFFERS:
        remedy = "give yours a name of its own, or leave `values` out to use the table"
        yield Problem(key=(*key, "values"), reason="this is the name of a built-in table", remedy=remedy)
    elif buffer.values_ph:
        yield from ranges.name(key)
        yield from _table(key, buffer)
    elif buffer.id not in buffers.BUFFERS:
        remedy = suggestion(buffer.id, buffers.BUFFERS)
        if not remedy.startswith("did you mean"):
            remedy = f'write values = {{"20" = 4.00, "25" = 4.01}} for one of your own; built in, {remedy}'
        yield Problem(key=key, reason="there is no such built-in buffer", remedy=remedy)


def _limits(key: Key, limits: CalibrationLimits) -> Iterator[Problem]:
    for field in fields(limits):
        yield from ranges.between((*key, field.name), getattr(limits, field.name), low=0, high=_LARGEST)
    for low, high in _NOT_ABOVE:
        if getattr(limits, low) > getattr(limits, high):
            reason = f"this must not be above {high} ({getattr(limits, high):g})"
            yield wrong((*key, low), getattr(limits, low), reason, f"lower {low} or raise {high}")


def _table(key: Key, buffer: BufferConfig) -> Iterator[Problem]:
    try:
        buffers.custom(buffer)
    except RefusedError as refused:
        reason, _, remedy = str(refused).partition(": ")
        yield Problem(key=(*key, "values"), reason=reason, remedy=remedy)
