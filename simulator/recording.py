"""Write a run as a recording (JSON Lines): what a watch that polled it would have logged.

Law: the same run, seed and options give the same bytes. The calibration in it is the one a person would have made in
fresh buffers; the numbers of reasons belong to the recording's format.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Any

import numpy as np

from simulator.effects import Occurrence
from simulator.electrode import ISOPOTENTIAL_PH, nernst_slope_mv
from simulator.faults import Fault, FaultPeriod, Ints, is_active
from simulator.operator_actions import OperatorAction
from simulator.rig import BATH_C, BUFFER_HALF_WIDTH_PH, BUFFERS_PH, CALIBRATED_DAY, Rig
from simulator.runs import Run

PERSON = "simulated person"
U_POTENTIAL_MV = 0.4
U_BUFFER_PH = BUFFER_HALF_WIDTH_PH / 3.0**0.5
"""Rectangular distribution (GUM 4.3.7)."""
REASONS: Mapping[Fault, int] = MappingProxyType(
    {  # the last that is active is written: without a port nothing else can be seen
        Fault.OVERRANGE: 5,
        Fault.HARDWARE_ERROR: 4,
        Fault.GARBLED: 3,
        Fault.SLOW: 2,
        Fault.UNPLUGGED: 1,
    }
)
MICROSECONDS = 1_000_000
HOUR_US = 3600 * MICROSECONDS
DAY_US = 24 * HOUR_US


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingLabel:
    """Ids of vat and probe, poll interval, and UTC at run time 0 (`epoch_us`)."""

    vat: str
    probe: str
    poll_s: float
    epoch_us: int


def calibration(rig: Rig, label: RecordingLabel) -> dict[str, Any]:
    """Return the line E = offset + slope * k(T) * (7 - pH) fitted to the buffers, with its covariance (GUM H.3)."""
    read = rig.buffer_readings()
    ph = np.array(BUFFERS_PH)
    x = (ISOPOTENTIAL_PH - ph) * nernst_slope_mv(read.temperature_c)
    design = np.column_stack([np.ones_like(x), x])
    (offset, slope), *_ = np.linalg.lstsq(design, read.potential_mv)
    u_mv = np.hypot(U_POTENTIAL_MV, slope * float(nernst_slope_mv(BATH_C)) * U_BUFFER_PH)
    covariance = u_mv**2 * np.linalg.inv(design.T @ design)  # one u for all: the bath is at one temperature
    return {
        "id": 1,
        "probe": label.probe,
        "at_us": label.epoch_us + round(CALIBRATED_DAY * DAY_US),
        "offset_mv": float(offset),
        "slope": float(slope),
        "var_offset": float(covariance[0, 0]),
        "var_slope": float(covariance[1, 1]),
        "cov": float(covariance[0, 1]),
        "low_ph": min(BUFFERS_PH),
        "high_ph": max(BUFFERS_PH),
        "points": points(rig),
        "by": PERSON,
        "residual_mv": float(np.max(np.abs(read.potential_mv - design @ [offset, slope]))),
    }


def points(rig: Rig) -> list[dict[str, float]]:
    """Return what was read in each buffer."""
    read = rig.buffer_readings()
    rows = zip(BUFFERS_PH, read.potential_mv.tolist(), read.temperature_c.tolist(), strict=True)
    return [{"buffer_ph": ph, "potential_mv": mv, "temperature_c": c} for ph, mv, c in rows]


def buffer_readings_toml(rig: Rig, *, made_at: str) -> str:
    """Return the same as TOML, for whoever fits the line."""
    head = [f"made_at = {made_at}", f'by = "{PERSON}"', "simulated = true"]
    tables = [["", "[[point]]", *(f"{name} = {value}" for name, value in point.items())] for point in points(rig)]
    return "\n".join([*head, *(line for table in tables for line in table)]) + "\n"


def recording(rig: Rig, label: RecordingLabel) -> Iterator[str]:
    """Yield the lines of the recording."""
    run = rig.run
    yield _line(
        {
            "recording": 1,
            "simulated": True,
            "vat": label.vat,
            "probe": label.probe,
            "run": run.name,
            "seed": rig.seed,
            "poll_s": label.poll_s,
            "faults": [
                *(_fault(event) for event in run.events if event.fault is not Fault.STIRRED),
                *(_occurrence("fault", one) for one in run.faults),
            ],
            **(
                {"disturbances": [_occurrence("disturbance", one) for one in run.disturbances]}
                if run.disturbances
                else {}
            ),
        }
    )
    fit = calibration(rig, label)
    calibrate = {"at_us": fit["at_us"], "kind": "calibrate", "vat": "", "probe": label.probe, "calibration": fit}
    yield _line({"command": {"id": 1, **calibrate, "by": PERSON, "seq": 1}})
    polls, an_hour = int(np.ceil(run.hours * 3600.0 / label.poll_s)), max(int(3600.0 / label.poll_s), 1)
    marks = [mark for mark in _marks(run, label) if mark["seq"] <= polls]
    cuts = {0, polls, *range(0, polls, an_hour), *(mark["seq"] - 1 for mark in marks)}
    for first, end in pairwise(sorted(cuts)):
        yield from (_line({"command": mark}) for mark in marks if mark["seq"] == first + 1)
        yield _line({"rows": _rows(rig, label, np.arange(first, end))})


def _marks(run: Run, label: RecordingLabel) -> list[dict[str, Any]]:
    """Return the commands that say what is done at the vat; a run that begins at the filling begins with its start."""
    begun = (OperatorAction(hour=0.0, mark="started"),) if run.vat.age_h == 0.0 else ()
    marks: list[dict[str, Any]] = []
    for number, action in enumerate(sorted((*begun, *run.actions), key=lambda action: action.hour), start=2):
        seq = int(np.ceil(action.hour * 3600.0 / label.poll_s)) + 1
        at_us = label.epoch_us + round(action.hour * HOUR_US)
        mark = {"id": number, "at_us": at_us, "kind": "mark", "vat": label.vat, "note": action.mark, "by": PERSON}
        marks.append({**mark, "litres": action.litres, "seq": seq})
    return marks


def _fault(event: FaultPeriod) -> dict[str, object]:
    """Return a fault with its times in microseconds of run time; null where it lasts to the end.

    Stirring is none: whoever watches must bear it.
    """
    return {"fault": event.fault, **_times(event.start_h, event.end_h)}


def _occurrence(key: str, one: Occurrence) -> dict[str, object]:
    """Return a named fault or disturbance, with its size if it takes one."""
    size = {"size": one.size, "unit": one.effect.unit} if one.effect.unit else {}
    return {key: one.effect.name, **_times(one.start_h, one.end_h), **size}


def _times(start_h: float, end_h: float) -> dict[str, int | None]:
    from_us, until_us = (round(h * HOUR_US) if np.isfinite(h) else None for h in (start_h, end_h))
    return {"from_us": from_us, "until_us": until_us}


def _rows(rig: Rig, label: RecordingLabel, poll: Ints) -> dict[str, list[int] | list[float | None]]:
    elapsed_us = np.rint(poll * label.poll_s * MICROSECONDS).astype(np.int64)
    read = rig.conversions(np.rint(elapsed_us / MICROSECONDS).astype(np.int64))
    reason = np.zeros(poll.shape, dtype=np.int64)
    for fault, number in REASONS.items():
        reason = np.where(is_active(rig.events, fault, elapsed_us / MICROSECONDS), number, reason)
    missing = (reason != 0).tolist()
    return {
        "seq": (poll + 1).tolist(),
        "at_us": (label.epoch_us + elapsed_us).tolist(),
        "elapsed_us": elapsed_us.tolist(),
        "potential_mv": [None if gone else v for gone, v in zip(missing, read.potential_mv.tolist(), strict=True)],
        "temperature_c": [
            None if gone or np.isnan(v) else v for gone, v in zip(missing, read.temperature_c.tolist(), strict=True)
        ],
        "reason": reason.tolist(),
    }


def _line(record: Mapping[str, object]) -> str:
    return json.dumps(record, separators=(",", ":"), allow_nan=False) + "\n"
