"""Requests of a person to the watch: commands, calibrations, checks."""

from enum import StrEnum

from logger.structs import Struct


class CalibrationPoint(Struct, frozen=True, kw_only=True):
    """A buffer's pH at its temperature (C), and the potential (mV) read in it."""

    buffer_ph: float
    potential_mv: float
    temperature_c: float
    u_ph: float = 0.02 / 3**0.5
    """Standard uncertainty of the buffer's pH; by default that of +/-0.02, rectangular (GUM 4.3.7)."""
    noise_mv: float = 0.0
    """Standard deviation of the readings that make up `potential_mv`."""
    settle_s: float | None = None
    """How long the electrode took to settle; None: not observed."""
    buffer: str = ""
    """Id of the buffer in its table; empty: the pH was given as a number."""
    lot: str = ""


class Method(StrEnum):
    """How points become a calibration."""

    BRACKETING = "bracketing"
    """Between neighbouring buffers the line through these two."""
    LINE = "line"
    """One least-squares line through all points."""


class Acceptance(StrEnum):
    """What is made of a calibration."""

    ACCEPTED = "accepted"
    WARNED = "accepted with a warning"
    REFUSED = "refused"


class Segment(Struct, frozen=True, kw_only=True):
    """The line between two neighbouring buffers, as in `Calibration`."""

    low_ph: float
    high_ph: float
    offset_mv: float
    slope: float
    var_offset: float
    var_slope: float
    cov: float


class Calibration(Struct, frozen=True, kw_only=True):
    """An electrode's line E = offset + slope * k(T) * (7 - pH), k the Nernst slope, and its covariance.

    With `segments` (bracketing, lowest pH first) each pH is read from the segment it lies in, the outer ones reaching
    on outside; the line through all points then only describes the electrode.
    """

    id: int
    probe: str
    at_us: int
    offset_mv: float
    """Potential at the isopotential pH 7."""
    slope: float
    """Fraction of the Nernst slope (1.0 is 100 %)."""
    var_offset: float
    var_slope: float
    cov: float
    low_ph: float
    """Lowest buffer: below it the line is extrapolated."""
    high_ph: float
    points: tuple[CalibrationPoint, ...]
    by: str = ""
    residual_mv: float = 0.0
    """Largest distance of a point from the line."""
    method: Method = Method.LINE
    segments: tuple[Segment, ...] = ()
    verdict: Acceptance = Acceptance.ACCEPTED
    findings: tuple[str, ...] = ()
    """What the verdict rests on, a sentence each: what it means and what to do."""
    electrode: str = ""
    """Serial number of the electrode; empty: not known."""
    drift_ph_per_day: float | None = None
    """Standard deviation of the drift, from the electrode's own history; None: the stated default."""


class CheckKind(StrEnum):
    """What a reading is compared with."""

    BUFFER = "buffer"
    """A check buffer: shows the drift of the electrode, not its junction in brine."""
    SPOT = "spot"
    """An independent measurement of the vat."""
    INSTRUMENT = "instrument"
    """The instrument of spot measurements, read in a buffer: shows its own error."""
    AS_FOUND = "as-found"
    """A calibration buffer read with the calibration that was in force, before it was replaced."""


class Check(Struct, frozen=True, kw_only=True):
    """A reading beside a reference value."""

    id: int
    probe: str
    at_us: int
    kind: CheckKind
    reference_ph: float
    u_reference_ph: float
    reading_ph: float
    deviation_ph: float
    """Reading minus reference."""
    tolerance_ph: float
    passed: bool
    calibration: int
    """Id of the calibration that the reading was made with."""
    vat: str = ""
    potential_mv: float | None = None
    temperature_c: float | None = None
    buffer: str = ""
    lot: str = ""
    instrument: str = ""
    """What gave the reference, for a spot measurement."""
    electrode: str = ""
    by: str = ""
    note: str = ""


class CommandKind(StrEnum):
    """What may be asked of the watch through the inbox."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    OUT_OF_SERVICE = "out-of-service"
    RETURN_TO_SERVICE = "return-to-service"
    MARK = "mark"
    """`note` names the `Mark`."""
    CALIBRATE = "calibrate"
    CHECK = "check"
    ATTEND = "attend"
    """Somebody works on the probe: it is read every second, the process alarms of its vat are suppressed."""
    LEAVE = "leave"
    """The work is over, and somebody says that the probe is back in its vat."""
    BREAK_OFF = "break-off"
    """The work is over, and nobody said that the probe is back."""
    NOTE = "note"
    BATCH = "batch"
    """Enter something in the record of the batch; `note` holds it as `model/batch_text.py` says."""
    CARE = "care"
    """Somebody entered something in the care diary of a probe; `note` holds it as `model/care.py` says."""
    REHEARSE = "rehearse"
    """Begin a good-night test, to be acknowledged within `duration_s` (real seconds)."""


class Mark(StrEnum):
    """What a person says that was done at the vat."""

    PROBE_OUT = "probe-out"
    PROBE_IN = "probe-in"
    STIRRED = "stirred"
    TOPPED_UP = "topped-up"
    """`Command.litres` says how much, if it is known."""
    STARTED = "started"
    """A batch was started; `Command.duration_s` says how long ago."""
    ENDED = "ended"
    """The batch has ended: its course is watched no more, what is asked of every vat goes on."""


class Command(Struct, frozen=True, kw_only=True):
    """One row of the inbox. Applied before record `seq` of its vat's probe (0: not consumed yet)."""

    id: int
    at_us: int
    kind: CommandKind
    vat: str
    """Empty for a command that concerns a probe (calibrate)."""
    probe: str = ""
    alarm: str = ""
    occurrence: int | None = None
    duration_s: float | None = None
    litres: float | None = None
    calibration: Calibration | None = None
    check: Check | None = None
    by: str = ""
    note: str = ""
    delivery: str = ""
    """Names the message that brought it, so that its repeat is recognised; empty: no message did."""
    seq: int = 0


class Answer(Struct, frozen=True, kw_only=True):
    """What became of a command: the record it was applied before, and the words for who asked."""

    command: int
    seq: int
    applied: bool
    text: str = ""
    probe: str = ""
    """Whose record `seq` is."""
