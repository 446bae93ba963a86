"""Recognise the buffer that a probe stands in, by its settled potential and the buffers on the table.

Law: pure, and never sure of more than the potential tells. A buffer is recognised only if it alone lies within reach of
what the electrode would give in it; two within reach are for the person to tell apart, by the label; none within reach
is refused. A name that the person gave is held against the potential, never taken on trust.
"""

from collections.abc import Sequence
from enum import StrEnum

from logger.measure.buffers import Buffer, ph_at
from logger.measure.nernst import ISOPOTENTIAL_PH, nernst_mv
from logger.model import Calibration, CalibrationPoint
from logger.structs import Struct

REACH_MV = 60.0
"""Farther than this from what a buffer should give, it is not that buffer: about one pH. Common practice, no source."""
SAME_MV = 30.0
"""Closer than this to an earlier point, it is the same buffer or a dead electrode: about half a pH.

Common practice, no source.
"""


class RecognitionOutcome(StrEnum):
    """What became of the question."""

    RECOGNISED = "recognised"
    AMBIGUOUS = "ambiguous"
    """Several fit: a person must say which."""
    REPEATED = "the same again"
    """The potential is that of a buffer that was read before."""
    UNKNOWN = "unknown"
    """None fits, or not the one that was named."""


class Candidate(Struct, frozen=True, kw_only=True):
    """A buffer on the table beside the potential."""

    buffer: Buffer
    ph: float
    """Its pH at the temperature of the reading."""
    expected_mv: float
    """What the electrode should give in it."""
    distance_mv: float
    """Potential minus expectation."""

    @property
    def is_within_reach(self) -> bool:
        """Tell whether the potential may be that of this buffer."""
        return abs(self.distance_mv) <= REACH_MV


class Recognition(Struct, frozen=True, kw_only=True):
    """The answer, with a sentence for each thing that a person should know."""

    outcome: RecognitionOutcome
    chosen: Candidate | None
    """The buffer that is meant; None unless recognised."""
    candidates: tuple[Candidate, ...]
    """Every buffer that has a value at this temperature, nearest first."""
    sentences: tuple[str, ...]


def recognise(
    potential_mv: float,
    temperature_c: float,
    *,
    buffers: Sequence[Buffer],
    calibration: Calibration | None = None,
    earlier: Sequence[CalibrationPoint] = (),
    named: Buffer | None = None,
) -> Recognition:
    """Return which of the buffers the potential (mV, at C) is that of.

    `calibration`: the newest of this electrode; None: one with 100 % slope and no offset is expected. `earlier`: the
    points of this session. `named`: the buffer that the person says it is.
    """
    on_table = [*buffers, *([] if named is None or named in buffers else [named])]
    in_table = [b for b in on_table if b.temperatures_c[0] <= temperature_c <= b.temperatures_c[-1]]
    candidates = [_candidate(b, potential_mv, temperature_c, calibration) for b in in_table]
    candidates.sort(key=lambda one: (abs(one.distance_mv), one.buffer.id))
    outcome, chosen, sentences = _answer(candidates, potential_mv, temperature_c, earlier=earlier, named=named)
    return Recognition(outcome=outcome, chosen=chosen, candidates=tuple(candidates), sentences=tuple(sentences))


def _candidate(buffer: Buffer, mv: float, temperature_c: float, calibration: Calibration | None) -> Candidate:
    offset_mv, slope = (0.0, 1.0) if calibration is None else (calibration.offset_mv, calibration.slope)
    ph = ph_at(buffer, temperature_c)
    expected = offset_mv + slope * nernst_mv(temperature_c) * (ISOPOTENTIAL_PH - ph)
    return Candidate(buffer=buffer, ph=ph, expected_mv=expected, distance_mv=mv - expected)


def _answer(
    candidates: Sequence[Candidate],
    mv: float,
    temperature_c: float,
    *,
    earlier: Sequence[CalibrationPoint],
    named: Buffer | None,
) -> tuple[RecognitionOutcome, Candidate | None, list[str]]:
    if not candidates:
        return RecognitionOutcome.UNKNOWN, None, [_no_value(temperature_c)]
    if same := [point for point in earlier if abs(point.potential_mv - mv) < SAME_MV]:
        return RecognitionOutcome.REPEATED, None, [_repeated_text(same[0], mv)]
    if named is not None:
        return _check_named(named, candidates, mv, temperature_c)
    near = [one for one in candidates if one.is_within_reach]
    if not near:
        return RecognitionOutcome.UNKNOWN, None, [_none_fits(candidates, mv)]
    if len(near) > 1:
        return RecognitionOutcome.AMBIGUOUS, None, [_which(near)]
    return RecognitionOutcome.RECOGNISED, near[0], [_recognised(near[0])]


def _check_named(
    named: Buffer, candidates: Sequence[Candidate], mv: float, temperature_c: float
) -> tuple[RecognitionOutcome, Candidate | None, list[str]]:
    """Return the answer where the person named a buffer."""
    meant = next((one for one in candidates if one.buffer == named), None)
    if meant is None:
        return RecognitionOutcome.UNKNOWN, None, [_no_value(temperature_c, named)]
    if not meant.is_within_reach:
        return RecognitionOutcome.UNKNOWN, None, [_not_named(meant, candidates, mv)]
    alike = [one for one in candidates if one is not meant and one.is_within_reach]
    return (
        RecognitionOutcome.RECOGNISED,
        meant,
        [_recognised(meant), *([_read_the_label(meant, alike)] if alike else [])],
    )


def _recognised(one: Candidate) -> str:
    return (
        f"This is {_name(one)}: pH {one.ph:.2f} here, {one.expected_mv:+.0f} mV expected, "
        f"{one.expected_mv + one.distance_mv:+.1f} mV read."
    )


def _which(near: Sequence[Candidate]) -> str:
    names = " or ".join(f"{_name(one)} ({one.buffer.id}, {one.expected_mv:+.0f} mV)" for one in near)
    why = "" if _differ(near) else " They are too alike for the probe to tell apart."
    return f"This may be {names}.{why} Read the label on the bottle and name the buffer."


def _read_the_label(meant: Candidate, alike: Sequence[Candidate]) -> str:
    others = ", ".join(f"{_name(one)} (pH {one.ph:.2f})" for one in alike)
    off = max(abs(one.ph - meant.ph) for one in alike)
    return (
        f"The probe cannot tell it from {others}: read the label once more. The wrong one puts this point off by "
        f"{off:.2f}."
    )


def _differ(near: Sequence[Candidate]) -> bool:
    """Tell whether two points of the same session would not be taken for one buffer."""
    expected = [one.expected_mv for one in near]
    return max(expected) - min(expected) >= SAME_MV


def _repeated_text(point: CalibrationPoint, mv: float) -> str:
    return (
        f"{mv:+.1f} mV is nearly what pH {point.buffer_ph:.2f} gave ({point.potential_mv:+.1f} mV): is this the same "
        "buffer as before? If not, the bulb is cracked or its cap is still on: then every buffer reads alike."
    )


def _not_named(meant: Candidate, candidates: Sequence[Candidate], mv: float) -> str:
    begin = f"{mv:+.1f} mV is not {_name(meant)}, which should give about {meant.expected_mv:+.0f} mV here."
    other = candidates[0]
    if other.is_within_reach:
        return (
            f"{begin} It fits {_name(other)} ({other.expected_mv:+.0f} mV): were two glasses swapped? Look at the "
            "label, and dip the one that is asked for."
        )
    return f"{begin} {_why_none(mv, candidates)}"


def _none_fits(candidates: Sequence[Candidate], mv: float) -> str:
    nearest = candidates[0]
    return (
        f"{mv:+.1f} mV fits none of the buffers on the table; the nearest, {_name(nearest)}, should give about "
        f"{nearest.expected_mv:+.0f} mV. {_why_none(mv, candidates)}"
    )


def _why_none(mv: float, candidates: Sequence[Candidate]) -> str:
    if any(abs(mv + one.expected_mv) <= REACH_MV for one in candidates):
        return (
            "With the other sign it would fit: is a buffer in the glass that is not on the list, or are the two wires "
            "of the electrode exchanged?"
        )
    return "Is the cap off, are bulb and junction in the buffer, is the plug dry, is this a buffer at all?"


def _no_value(temperature_c: float, named: Buffer | None = None) -> str:
    which = "None of the buffers on the table has a value" if named is None else f"{named.name} has no value"
    return (
        f"{which} at {temperature_c:.1f} C: let it come to room temperature, or check that the thermometer is in the "
        "buffer."
    )


def _name(one: Candidate) -> str:
    """Name a buffer as its bottle does: technical ones are called by their pH."""
    name, nominal = one.buffer.name, f"{one.buffer.nominal_ph:.2f}"
    return f"{one.buffer.id} buffer" if name == nominal else f"{name} {nominal}"
