"""Judge one immersion: the readings since the probe came into a glass, and the point they make.

Law: pure. A point is the median of a window that was judged stable, in a buffer that was recognised or named; what
the person was shown is what is taken.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from logger.errors import RefusedError
from logger.measure import stability
from logger.measure.buffer_recognition import Recognition, RecognitionOutcome, recognise
from logger.measure.buffers import Buffer, ph_at
from logger.measure.stability import Stability
from logger.model import Calibration, CalibrationPoint, Estimate, Floats, Reason
from logger.structs import replace
from logger.units import SECOND_US

KEPT = 900
"""Readings of an immersion that are kept: a quarter of an hour at one a second. Common practice, no source."""
HELD_S = 5.0
"""A potential is offered to be taken once it has been stable for so long without a break: one that is stable now and
then would be gone before the person's finger is on the key. Common practice, no source.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeReading:
    """One reading: potential in mV and temperature in C (NaN where missing), at UTC and watch time (microseconds)."""

    at_us: int
    elapsed_us: int
    potential_mv: float
    temperature_c: float
    reason: Reason = Reason.NONE


@dataclass(frozen=True, slots=True, kw_only=True)
class Immersion:
    """The readings since the person said that the probe stands in a glass."""

    began_us: int
    """Watch time."""
    readings: tuple[ProbeReading, ...] = ()
    named: Buffer | None = None
    """The buffer that the person says it is."""
    is_insisted: bool = False
    """The person was told that the potential does not fit the named buffer, and says it is that one all the same."""
    stable_us: int | None = None
    """Watch time since when every reading has found it stable; None: the newest has not."""

    def with_reading(self, reading: ProbeReading) -> "Immersion":
        """Return the immersion with one more reading."""
        return replace(self, readings=(*self.readings, reading)[-KEPT:])

    def lasts_s(self, elapsed_us: int) -> float:
        """Return how long (seconds) it has lasted at this watch time."""
        return (elapsed_us - self.began_us) / SECOND_US


@dataclass(frozen=True, slots=True, kw_only=True)
class BuffersAtHand:
    """What stands on the table, and what is known of the electrode."""

    buffers: tuple[Buffer, ...]
    in_force: Calibration | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationInForce:
    """What is in force for a probe in its vat."""

    calibration: Calibration | None = None
    estimate: Estimate | None = None
    """What calibration and checks tell of the probe's error; None: the calibration alone does."""
    fresh_us: int = 0
    """Watch time since when the probe has stood in the vat undisturbed."""
    elsewhere: str = ""
    """Why the probe does not read the vat now, as far as persons have said (`measure/comparison.py`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImmersionView:
    """What an immersion shows now."""

    stability: Stability
    recognition: Recognition | None = None
    """None: there is no reading yet."""
    buffer: Buffer | None = None
    """The one recognised, or the one that the person insists on."""
    buffer_ph: float = field(default=np.nan)
    """Its pH at the temperature of the reading."""
    stable_us: int | None = None
    """Watch time since when it has been stable without a break; None: it is not."""
    held_s: float = 0.0
    """How long that is."""

    @property
    def is_offered(self) -> bool:
        """Tell whether it has been stable for long enough to be taken."""
        return self.stable_us is not None and self.held_s >= HELD_S

    @property
    def is_known(self) -> bool:
        """Tell whether the buffer is known, and its pH at this temperature."""
        return self.buffer is not None


def examine(immersion: Immersion, table: BuffersAtHand, earlier: Sequence[CalibrationPoint] = ()) -> ImmersionView:
    """Return what the readings show; `earlier`: the points taken before."""
    times = np.array([(r.elapsed_us - immersion.began_us) / SECOND_US for r in immersion.readings])
    stable = stability.judge(times, _column(immersion, "potential_mv"), _column(immersion, "temperature_c"))
    if np.isnan(stable.potential_mv) or np.isnan(stable.temperature_c):
        return ImmersionView(stability=stable)
    others = [p for p in earlier if immersion.named is None or p.buffer != immersion.named.id]
    recognition = recognise(
        stable.potential_mv,
        stable.temperature_c,
        buffers=table.buffers,
        calibration=table.in_force,
        earlier=others,
        named=immersion.named,
    )
    newest_us = immersion.readings[-1].elapsed_us
    since_us = None if not stable.is_stable else newest_us if immersion.stable_us is None else immersion.stable_us
    held_s = 0.0 if since_us is None else (newest_us - since_us) / SECOND_US
    shown = ImmersionView(stability=stable, recognition=recognition, stable_us=since_us, held_s=held_s)
    buffer = recognition.chosen.buffer if recognition.chosen else immersion.named if immersion.is_insisted else None
    return shown if buffer is None else _with_buffer(shown, buffer)


def _with_buffer(shown: ImmersionView, buffer: Buffer) -> ImmersionView:
    try:
        return replace(shown, buffer=buffer, buffer_ph=ph_at(buffer, shown.stability.temperature_c))
    except RefusedError:  # too cold or too warm for its table; the recognition says so
        return shown


def point(immersion: Immersion, shown: ImmersionView) -> CalibrationPoint:
    """Return the calibration point of a look that is stable and whose buffer is known."""
    buffer = shown.buffer
    if buffer is None or not shown.stability.is_stable:
        raise ValueError("only a stable reading in a known buffer is a point")
    times = np.array([(r.elapsed_us - immersion.began_us) / SECOND_US for r in immersion.readings])
    settled = stability.settling(times, _column(immersion, "potential_mv"))
    return CalibrationPoint(
        buffer_ph=shown.buffer_ph,
        potential_mv=shown.stability.potential_mv,
        temperature_c=shown.stability.temperature_c,
        u_ph=buffer.u_ph,
        noise_mv=shown.stability.noise_mv,
        settle_s=None if settled is None else settled.t95_s,
        buffer=buffer.id,
        lot=buffer.lot,
    )


def is_unfit(shown: ImmersionView) -> bool:
    """Tell whether a person may insist: there is a reading, and it is not that of the buffer named."""
    return shown.recognition is not None and shown.recognition.outcome in (
        RecognitionOutcome.UNKNOWN,
        RecognitionOutcome.REPEATED,
    )


def _column(immersion: Immersion, name: str) -> Floats:
    return np.array([getattr(reading, name) for reading in immersion.readings], dtype=np.float64)
