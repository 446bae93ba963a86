"""The figures of a command and their ends, each declared here once; and how long its texts may be.

Law: pure. Where a command comes in and where it is applied these are asked, so that no figure overflows a time, is no
number, or cannot be stored: it is refused with a sentence.

They stand in one place because a row of the inbox may come from another version or by hand: the hub's messages, the
command line and the applying all ask here.
"""

from collections.abc import Iterator
from math import sqrt

from logger.errors import RefusedError
from logger.model import plain_text
from logger.model.requests import Calibration, CalibrationPoint, Check, CheckKind, Command, CommandKind, Mark, Segment
from logger.structs import Struct, replace

LONGEST_TEXT = 255
"""Characters of a note: as long as a hub's text field."""
LONGEST_ENTRY = 4096
"""Characters of an entry of a batch that a command brings: as long as the hub's longest message."""
LONGEST_NAME = 60
"""Characters of the name of an instrument."""


class Figure(Struct, frozen=True, kw_only=True):
    """A number that a person says; both ends belong to it."""

    words: str
    """The sentence up to the end that was passed."""
    low: float
    high: float
    unit: str = ""
    too_low: str = ""
    """What to do about it; empty: that is plain."""
    too_high: str = ""

    def why_not(self, value: float | None) -> str:
        """Say why a value cannot be; empty: it can, or there is none."""
        if value is None or self.low <= value <= self.high:
            return ""
        if value > self.high:
            return self._sentence("at most", self.high, value, self.too_high)
        return self._sentence("at least", self.low, value, self.too_low)

    def check(self, value: float | None) -> None:
        """Raise RefusedError for a value that cannot be."""
        if why := self.why_not(value):
            raise RefusedError(why)

    def _sentence(self, word: str, end: float, value: float, remedy: str) -> str:
        unit = f" {self.unit}" if self.unit else ""
        shown = f"{value:g}" if isinstance(value, float) or abs(value) < 2**1000 else "so large a number"
        return f"{self.words} {word} {end:.16g}{unit}, not {shown}" + (f": {remedy}" if remedy else "")


MINUTES = Figure(words="what is asked for must last", low=0.01, high=366 * 24 * 60, unit="min")
"""Of a mark, of shelving, of work on the probe; what a vat allows (`max_shelve_s`) is less."""
HOURS_AGO = Figure(words="a start must lie", low=0.0, high=60 * 24, unit="h back")
"""A batch that was started longer ago is no news."""
WITHIN_S = Figure(words="a good-night test must take", low=1.0, high=86_400.0, unit="s")
LITRES = Figure(words="what was topped up must be", low=0.001, high=1_000_000.0, unit="L")
OCCURRENCE = Figure(words="an occurrence must be", low=0, high=2**53)
"""JSON keeps larger whole numbers not exactly (RFC 8259, 6)."""
SPOT_PH = Figure(words="a spot measurement must be", low=0.01, high=13.99, unit="pH")
SPOT_U_PH = Figure(
    words="the standard uncertainty u of a spot measurement must be",
    low=0.005,
    high=0.3,
    unit="pH",
    too_low="no display of 0.01 pH tells more than half its last digit; say 0.05 for a meter, 0.2 for a strip",
    too_high="so vague a value says nothing of the probe; write it as a note instead",
)
TOLERANCE_PH = Figure(words="the tolerance of a check must be", low=0.001, high=2.0, unit="pH")
BUFFER_PH = Figure(words="a buffer must be", low=0.01, high=13.99, unit="pH")
BUFFER_U_PH = Figure(words="the standard uncertainty of a buffer must be", low=0.0, high=1.0, unit="pH")
READING_PH = Figure(words="a reading in a check must be", low=-100.0, high=100.0, unit="pH")
READING_MV = Figure(words="the potential of a check must be", low=-5000.0, high=5000.0, unit="mV")
READING_C = Figure(words="the temperature of a check must be", low=-50.0, high=150.0, unit="C")
POINT_MV = Figure(words="the potential of a buffer must be", low=-2000.0, high=2000.0, unit="mV")
"""No electrode gives volts."""
POINT_C = Figure(words="the temperature of a buffer must be", low=-2.0, high=60.0, unit="C")
NOISE_MV = Figure(words="the noise of a potential must be", low=0.0, high=2000.0, unit="mV")
SETTLE_S = Figure(words="settling must take", low=0.0, high=86_400.0, unit="s")
SLOPE = Figure(words="the slope of a calibration must be", low=0.05, high=2.0)
"""Wide: a worn electrode is for the verdict to judge."""
VARIANCE = Figure(words="a variance or residual of a calibration must be", low=0.0, high=1e6)
COVARIANCE = Figure(words="the covariance of a calibration must be", low=0.0, high=0.0)
"""Its ends follow from the variances."""
RATE_PH_PER_DAY = Figure(words="the drift of an electrode must be", low=0.0, high=14.0, unit="pH a day")
AT_US = Figure(words="a time must be", low=0, high=7030 * 31_556_952 * 1_000_000, unit="us after 1970")
"""Up to the year 9000."""


def check(command: Command) -> None:
    """Raise RefusedError for a command with a figure or a text that no command may hold."""
    for figure, value in _figures(command):
        figure.check(value)
    for name, text, longest in _texts(command):
        if len(text) > longest:
            raise RefusedError(f"its {name} has {len(text)} characters, at most {longest} are taken: shorten it")
        if hidden := plain_text.hidden(text):
            raise RefusedError(f"its {name} holds the character {hidden!a}: write one line of plain text")


def check_point(point: CalibrationPoint) -> None:
    """Raise RefusedError for a calibration point with a figure that cannot be."""
    for figure, value in _of_point(point):
        figure.check(value)


def _figures(command: Command) -> Iterator[tuple[Figure, float | None]]:
    yield OCCURRENCE, command.occurrence
    yield LITRES, command.litres
    if command.duration_s is not None:
        yield from _duration(command, command.duration_s)
    if command.check is not None:
        yield from _of_check(command.check)
    if command.calibration is not None:
        yield from _of_calibration(command.calibration)


def _duration(command: Command, seconds: float) -> Iterator[tuple[Figure, float]]:
    """Yield what the duration of a command means, with its value in that unit; elsewhere nobody looks at it."""
    if command.kind is CommandKind.REHEARSE:
        yield WITHIN_S, seconds
    elif command.kind in (CommandKind.SHELVE, CommandKind.ATTEND):
        yield MINUTES, seconds / 60
    elif command.kind is CommandKind.MARK and command.note == Mark.STARTED:
        yield HOURS_AGO, seconds / 3600
    elif command.kind is CommandKind.MARK and command.note in _LASTING:
        yield MINUTES, seconds / 60


_LASTING = (Mark.PROBE_OUT, Mark.STIRRED, Mark.TOPPED_UP)


def _of_check(check: Check) -> Iterator[tuple[Figure, float | None]]:
    is_spot = check.kind is CheckKind.SPOT
    yield SPOT_PH if is_spot else BUFFER_PH, check.reference_ph
    yield SPOT_U_PH if is_spot else BUFFER_U_PH, check.u_reference_ph
    yield READING_PH, check.reading_ph
    yield READING_PH, check.deviation_ph
    yield TOLERANCE_PH, check.tolerance_ph
    yield READING_MV, check.potential_mv
    yield READING_C, check.temperature_c
    yield AT_US, check.at_us


def _of_calibration(calibration: Calibration) -> Iterator[tuple[Figure, float | None]]:
    lines: tuple[Calibration | Segment, ...] = (calibration, *calibration.segments)
    for line in lines:
        yield SLOPE, line.slope
        yield POINT_MV, line.offset_mv
        yield BUFFER_PH, line.low_ph
        yield BUFFER_PH, line.high_ph
        yield VARIANCE, line.var_offset
        yield VARIANCE, line.var_slope
        most = 1.001 * sqrt(line.var_offset * line.var_slope)  # of full correlation, and some rounding
        yield replace(COVARIANCE, low=-most, high=most), line.cov
    yield VARIANCE, calibration.residual_mv
    yield RATE_PH_PER_DAY, calibration.drift_ph_per_day
    yield AT_US, calibration.at_us
    for point in calibration.points:
        yield from _of_point(point)


def _of_point(point: CalibrationPoint) -> Iterator[tuple[Figure, float | None]]:
    yield BUFFER_PH, point.buffer_ph
    yield BUFFER_U_PH, point.u_ph
    yield POINT_MV, point.potential_mv
    yield NOISE_MV, point.noise_mv
    yield POINT_C, point.temperature_c
    yield SETTLE_S, point.settle_s


_LONG = (CommandKind.BATCH, CommandKind.CARE)
"""Their note holds JSON."""


def _texts(command: Command) -> Iterator[tuple[str, str, int]]:
    """Yield each text that a person writes, with its name and the most characters."""
    yield "note", command.note, LONGEST_ENTRY if command.kind in _LONG else LONGEST_TEXT
    yield "name of who asks", command.by, LONGEST_TEXT
    yield "alarm", command.alarm, LONGEST_TEXT
    if command.check is not None:
        yield "instrument", command.check.instrument, LONGEST_NAME
        yield from _texts_of(command.check, "by", "note", "buffer", "lot", "electrode", "probe", "vat")
    if command.calibration is not None:
        yield from _texts_of(command.calibration, "by", "electrode", "probe")


def _texts_of(thing: Check | Calibration, *names: str) -> Iterator[tuple[str, str, int]]:
    for name in names:
        yield name, getattr(thing, name), LONGEST_TEXT
