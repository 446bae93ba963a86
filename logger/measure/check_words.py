"""Write the sentences about a check, and make the checks that a new calibration is of the one before."""

from collections.abc import Iterator
from typing import Protocol

from logger.measure.calibration import deviations_as_found
from logger.model import Calibration, Check, CheckKind


class Expectation(Protocol):
    """What was expected of a check."""

    @property
    def is_expected(self) -> bool:
        """Tell whether it lay within what could be expected."""

    @property
    def expected_ph(self) -> float:
        """Return the deviation that was expected."""

    @property
    def allowed_ph(self) -> float:
        """Return how far from that it might lie."""


def words_of(check: Check) -> str:
    """Say what was compared with what."""
    other = check.instrument or "another instrument"
    if check.kind is CheckKind.INSTRUMENT:
        return f"{other} read {check.reading_ph:.2f} in a buffer of {check.reference_ph:.2f}"
    if check.kind is CheckKind.SPOT:
        return f"{other} read {check.reference_ph:.2f}, the probe {check.reading_ph:.2f}"
    return f"a check buffer was {check.reference_ph:.2f}, the probe read {check.reading_ph:.2f}"


def sentence(check: Check, found: Expectation) -> str:
    """Say what a check found and what became of it."""
    passed = "passed" if check.passed else "failed"
    words = words_of(check)
    off = f"off by {check.deviation_ph:+.2f}, {passed} (tolerance {check.tolerance_ph:.2f})"
    text = f"{words[0].upper()}{words[1:]}: {off}"
    if not found.is_expected:
        return (
            f"{text}. Expected {found.expected_ph:+.2f} +/- {found.allowed_ph:.2f}: probe or reference? It counts, with"
            " all that it leaves open, and nothing is claimed until a check about as good is as expected: rinse, take a"
            " fresh buffer, check again, or calibrate"
        )
    return text if check.passed else f"{text}. Rinse and repeat; if it stays, clean the probe and calibrate it"


def as_found(before: Calibration, new: Calibration) -> Iterator[Check]:
    """Yield the checks of a calibration that the buffers of the next one are, where it was read with them."""
    for point, off_ph in zip(new.points, deviations_as_found(before, new.points), strict=True):
        yield Check(
            id=0,
            probe=before.probe,
            at_us=new.at_us,
            kind=CheckKind.BUFFER,
            reference_ph=point.buffer_ph,
            u_reference_ph=point.u_ph,
            reading_ph=point.buffer_ph + off_ph,
            deviation_ph=off_ph,
            tolerance_ph=0.0,
            passed=True,
            calibration=before.id,
            temperature_c=point.temperature_c,
        )
