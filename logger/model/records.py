"""Records: indications, columns, quality."""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from enum import IntEnum, IntFlag
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from logger.structs import Struct

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Value = Any
"""A number, or a column of them, of which no type checker knows that both add and compare alike."""

AT = "UTC, microseconds since 1970"
ELAPSED = "watch time, microseconds: never runs back, also over restarts"


def column(comment: str, *, csv: str = "") -> dict[str, str]:
    """Return what a stored field says of itself: the comment of its column, and its line in the exported file."""
    return {"comment": comment, "csv": csv}


class Reason(IntEnum):
    """Why a tick brought no indication."""

    NONE = 0
    PORT_ABSENT = 1
    TIMEOUT = 2
    GARBLED = 3
    INSTRUMENT_ERROR = 4
    OVERRANGE = 5
    NOT_A_NUMBER = 6
    WRONG_INSTRUMENT = 7

    @property
    def words(self) -> str:
        """Say it for a person."""
        return _REASON_WORDS[self]


_REASON_WORDS = {
    Reason.NONE: "reading present",
    Reason.PORT_ABSENT: "the port is absent or cannot be opened",
    Reason.TIMEOUT: "no reply in time",
    Reason.GARBLED: "the reply could not be read",
    Reason.INSTRUMENT_ERROR: "the instrument reports an error",
    Reason.OVERRANGE: "the instrument reports overrange",
    Reason.NOT_A_NUMBER: "the instrument has no value",
    Reason.WRONG_INSTRUMENT: "another instrument answers than the one configured",
}


class Quality(IntEnum):
    """Quality of a record (IOOS QARTOD primary flags)."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


class QualityTests(IntFlag):
    """Which tests spoke against a record.

    GAP, OUTSIDE_BUFFERS, ATTENDED, UNWITNESSED, NOT_BACK and DOUBTED do not lower its quality.
    """

    NONE = 0
    GROSS_RANGE = 1
    JUMP = 2
    RATE_OF_CHANGE = 4
    FLAT_LINE = 8
    GAP = 16
    TEMPERATURE = 32
    UNCALIBRATED = 64
    """No calibration in force: millivolts are kept, no pH is claimed."""
    OUTSIDE_BUFFERS = 128
    """pH lies beyond the buffers of the calibration: the line is extrapolated, and u grows."""
    OUT_OF_LIQUID = 256
    """Trust is lost: the temperature stepped and the potential is noisier since, as in air."""
    ERRATIC = 512
    """In records of earlier versions: the window before showed potentials far apart."""
    ATTENDED = 1024
    """Somebody works on the probe, or it was said to be out: what it reads may be a buffer, not the vat."""
    UNWITNESSED = 2048
    """No window closed yet, so nothing was learnt of the vat."""
    OWN_PH = 4096
    """The probe reported its own pH: the potential is that of an ideal electrode at it. Lowers no quality."""
    ASSUMED_TEMPERATURE = 8192
    """The probe has no thermometer: pH is computed by a temperature of the configuration. Lowers no quality."""
    NOT_BACK = 16384
    """Work on the probe ended and nobody said that it is back: what it reads may be a buffer, not the vat."""
    JUMPED = 32768
    """Trust is lost: the level left its course by a step that no vat makes."""
    FROZEN = 131072
    """Trust is lost: the instrument shows far fewer different values than it used to."""
    LOOSE = 262144
    """Trust is lost: readings lie far apart again and again."""
    NOT_BORNE_OUT = 524288
    """Trust is lost: the probe was said to be back in the vat, and reads something else than before."""
    DOUBTED = 1048576
    """The probe is doubted: no claim is made. Lowers no quality."""
    SCATTERED = 2097152
    """The readings of the window before lie so far apart that their median says little."""
    BY_SECOND_PROBE = 4194304
    """Trust is lost, and alarms judge what the vat's second probe reads. Lowers no quality."""
    AFTER_GAP = 8388608
    """Nobody watched for hours before, and nobody has looked at the probe since. Lowers no quality."""
    THERMOMETER = 65536
    """The temperature is the thermometer's own fault: pH is computed by its last good one. Lowers no quality."""


class Indication(Struct, frozen=True, kw_only=True):
    """What one tick brought from one probe: potential (mV) and temperature (C), or the reason why not."""

    probe: str
    at_us: int
    elapsed_us: int
    potential_mv: float | None = None
    temperature_c: float | None = None
    reason: Reason = Reason.NONE


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Base of the column blocks: arrays of one length."""

    def __len__(self) -> int:
        """Return the number of rows; numbers are one."""
        first = getattr(self, self._names()[0])
        return len(first) if isinstance(first, np.ndarray) else 1

    def __getitem__(self, rows: slice) -> Self:
        """Return some of the rows, without copying."""
        return type(self)(**{name: getattr(self, name)[rows] for name in self._names()})

    def numbers(self) -> Self:
        """Return a single row as bare numbers, for functions that take numbers and columns alike."""
        return type(self)(**{name: getattr(self, name).item() for name in self._names()})

    def columns(self) -> Self:
        """Return numbers as a single row; rows as they are."""
        if isinstance(getattr(self, self._names()[0]), np.ndarray):
            return self
        return type(self)(**{name: np.array([getattr(self, name)]) for name in self._names()})

    def then(self, other: Self) -> Self:
        """Return the rows of self followed by those of other."""
        return self.concatenate([self, other])

    @classmethod
    def concatenate(cls, parts: Sequence[Self]) -> Self:
        """Return the rows of all parts, one part after another."""
        return cls(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in cls._names()})

    @classmethod
    def none(cls) -> Self:
        """Return no rows."""
        whole = {one.name: one.type is Ints for one in fields(cls)}
        return cls(
            **{name: np.empty(0, dtype=np.int64 if is_whole else np.float64) for name, is_whole in whole.items()}
        )

    @classmethod
    def _names(cls) -> tuple[str, ...]:
        return cls.__slots__  # `fields()` says the same, slowly: this is asked some 40 times a live record


@dataclass(frozen=True, slots=True, kw_only=True)
class Block(Columns):
    """Indications of one probe as columns, in record order. `seq` rises by one; `elapsed_us` never falls."""

    seq: Ints
    at_us: Ints
    elapsed_us: Ints
    potential_mv: Floats
    temperature_c: Floats
    reason: Ints
    reference_ph: Floats
    """pH that the vat's second probe said last and that could be believed; NaN where there is none."""
    reference_u: Floats
    """Its standard uncertainty (k = 1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurements(Columns):
    """Records of one probe: the indication as it came, and beside it what was made of it."""

    seq: Ints = field(metadata=column("rises by one, from 1", csv="number of the record, rising by one for each probe"))
    at_us: Ints = field(metadata=column(AT, csv="UTC, RFC 3339, when the reading was asked for"))
    elapsed_us: Ints = field(
        metadata=column(ELAPSED, csv="watch time in seconds; never runs back, whatever is done to the clock")
    )
    potential_mv: Floats = field(metadata=column("mV as indicated", csv="electrode potential in mV, as indicated"))
    temperature_c: Floats = field(
        metadata=column("Celsius as indicated", csv="temperature in degrees Celsius, as indicated")
    )
    reason: Ints = field(
        metadata=column("why there is no indication; 0: there is one", csv="why there is no indication")
    )
    reference_ph: Floats = field(
        metadata=column(
            "pH, by the vat's second probe just then",
            csv="pH by the vat's second probe at that moment, where there is one that could be believed",
        )
    )
    reference_u: Floats = field(
        metadata=column("pH, standard uncertainty of it, k = 1", csv="standard uncertainty of reference_ph (k = 1), pH")
    )
    ph: Floats = field(metadata=column("pH", csv="pH by the calibration in force at the time"))
    """pH, NaN where none is claimed."""
    u: Floats = field(metadata=column("pH, standard uncertainty, k = 1", csv="standard uncertainty of ph (k = 1), pH"))
    """Standard uncertainty of `ph` (k = 1)."""
    quality: Ints = field(
        metadata=column(
            "IOOS QARTOD flag: 1, 2, 3, 4, 9",
            csv="verdict when the record came (QARTOD): pass, not-evaluated, suspect, fail, missing",
        )
    )
    """`Quality`, judged at once; the spike test speaks one record later."""
    tests: Ints = field(
        metadata=column(
            "bits of the tests that spoke",
            csv="which quality tests spoke, separated by spaces; beside them `outside-buffers`, `gap`, `attended` and "
            "`not-back` (the probe may be out), `unwitnessed` (watched for too short a time), `scattered` (too far "
            "apart for a median); trust in the probe lost by `jumped` (left its course by a step), `frozen` (hardly a "
            "new value), `loose` (a loose contact), `not-borne-out` (said to be back, reads something else) or "
            "`out-of-liquid` (as in air); `by-second-probe` (alarms judge the second probe meanwhile); `doubted` "
            "(temperature or thermometer is odd)",
        )
    )
    """`QualityTests` that spoke."""
    previous_spike: Ints = field(
        metadata=column(
            "QARTOD flag of the record before, by the spike test",
            csv="verdict of the spike test, which needs the next record (same words; empty: there is none yet)",
        )
    )
    """`Quality` that the spike test gives the record before this one (it needs a neighbour on both sides)."""
    calibration: Ints = field(metadata=column("", csv="id of the calibration applied"))
    """Id of the calibration applied; 0: none."""
    belief: Ints = field(
        metadata=column(
            "0 believed, 1 suspect, 2 not believed",
            csv="what process alarms made of the record when it came: believed, suspect or not-believed",
        )
    )
    """`Belief` in the pH as the record came."""
    since_at_us: Ints = field(metadata=column(AT + ": since when so, for the same reason"))
    """UTC of the first record in a row of that belief for the same leading reason."""
    check: Ints = field(metadata=column("newest in a buffer with this calibration"))
    """Id of the newest check in a buffer with that calibration; 0: none."""
    spot: Ints = field(metadata=column("newest beside another instrument with it"))
    """Id of the newest spot measurement with that calibration; 0: none."""
