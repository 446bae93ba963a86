"""Three histories of checks in which the probability of a claim is known, through the whole pipeline.

S1: another instrument reads 0.10 higher than the probe, and passes. S2: a paper strip, or a meter, against a
buffer that found the probe 0.30 low. S3: a new calibration moves the reading. The probabilities are those of normal
errors conditioned on all checks at once (computed outside this project by linear algebra over offset, slope, rate,
junction, its change and the other instrument, with both rates of drift): .70 and .42 to .47 of S1 by how fast the
electrode may have moved since its calibration; of S2 .001 with a strip, .98 and .49 to .64 with a meter, .99 at last.
"""

from dataclasses import dataclass, field
from statistics import NormalDist

import numpy as np

from logger.config import TargetConfig
from logger.measure.target_standing import TargetStanding, TargetState, standing
from logger.model import Cause, CheckKind, Command, CommandKind, Entry, Lack, Mark, WatchState
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.series import EPOCH_US, calibrate, calibration, check, millivolts, watch
from tests.series import block as of_mv

DITHER_MV = (0.0, 0.3, -0.3, 0.6, -0.6)
"""A reading that lives; a window's median is the one without it."""
U_BUFFER_PH = 0.02 / 3**0.5
LIMIT_PH = 4.6


def watched() -> Watch:
    made = watch()
    return replace(made, vat=replace(made.vat, target=TargetConfig()))


@dataclass
class History:
    """A vat that stands at what one potential gives, and the checks of its probe."""

    potential_mv: float
    state: WatchState = field(default_factory=lambda: pipeline.fresh(watched()))
    entries: list[Entry] = field(default_factory=list)
    row: int = 0
    line: int = 1
    asked: int = 0

    def __post_init__(self) -> None:
        begun = [self._command(CommandKind.MARK, 1, note=mark) for mark in (Mark.PROBE_IN, Mark.STARTED)]
        self.go_on(60.0, calibrate(), *begun)

    def go_on(self, minutes: float, *commands: Command) -> None:
        """Let time pass; commands come first."""
        count = max(round(minutes * 6.0), 1)
        mv = [self.potential_mv + DITHER_MV[n % 5] for n in range(self.row, self.row + count)]
        rows = of_mv(mv, first_seq=self.row + 1, start_s=10.0 * self.row)
        self.state, outcome = pipeline.step(watched(), self.state, rows, commands=commands)
        assert all(answer.applied for answer in outcome.answers), outcome.answers
        self.entries += outcome.entries
        self.row += count

    def check(self, kind: CheckKind, deviation_ph: float, *, u_ph: float, reading_ph: float, instrument: str) -> None:
        """Apply a check before the next record."""
        made = replace(
            check(deviation_ph, at_s=10.0 * (self.row - 1), reference_ph=reading_ph - deviation_ph, kind=kind),
            u_reference_ph=u_ph,
            instrument=instrument,
            calibration=self.line,
            id=self.row,
        )
        tolerance_ph = 0.05 if kind is CheckKind.BUFFER else 0.1
        made = replace(made, tolerance_ph=tolerance_ph, passed=abs(deviation_ph) <= tolerance_ph)
        self.go_on(0.0, self._command(CommandKind.CHECK, self.row + 1, check=made))

    def buffer(self, deviation_ph: float) -> None:
        self.check(CheckKind.BUFFER, deviation_ph, u_ph=U_BUFFER_PH, reading_ph=4.005 + deviation_ph, instrument="")

    def spot(self, deviation_ph: float, *, u_ph: float, reading_ph: float, instrument: str = "meter") -> None:
        self.check(CheckKind.SPOT, deviation_ph, u_ph=u_ph, reading_ph=reading_ph, instrument=instrument)

    def _command(self, kind: CommandKind, seq: int, **what: object) -> Command:
        self.asked += 1
        return Command(
            id=100 + self.asked,
            at_us=EPOCH_US,
            kind=kind,
            vat="vat",
            probe="probe",
            seq=seq,
            **what,  # type: ignore[arg-type]
        )

    def recalibrate(self, shift_mv: float) -> None:
        """Put a line in force that reads the same potentials otherwise."""
        self.line += 1
        at_us = EPOCH_US + 10_000_000 * self.row
        made = replace(calibration(), id=self.line, at_us=at_us, offset_mv=calibration().offset_mv + shift_mv)
        self.go_on(0.0, self._command(CommandKind.CALIBRATE, self.row + 1, calibration=made))

    @property
    def stands(self) -> TargetStanding:
        out = standing(watched().vat, self.state.carry, at_us=EPOCH_US + 10_000_000 * (self.row - 1))
        assert out is not None
        return out

    @property
    def probability(self) -> float:
        """Return what is said of the probability that the newest window is at or below the limit."""
        said = self.stands.conformance
        assert said is not None
        return said

    @property
    def claims(self) -> int:
        return sum(entry.cause is Cause.MEASURED_AT_TARGET for entry in self.entries)


def at(ph: float) -> History:
    return History(millivolts(ph))


def test_a_fresh_calibration_alone_gives_4_48_the_u_of_its_budget() -> None:
    newest = at(4.48).stands.newest
    assert newest is not None
    assert abs(NormalDist().cdf((LIMIT_PH - newest.ph) / newest.u) - 0.989) < 0.002


def test_a_spot_that_reads_0_10_higher_and_passes_moves_the_claim() -> None:
    vat = at(4.505)
    vat.spot(-0.099, u_ph=0.02, reading_ph=4.505)
    assert 0.40 < vat.probability < 0.49
    vat.go_on(120.0)
    assert vat.probability < 0.72
    assert vat.claims == 0


def test_a_strip_that_agrees_does_not_answer_a_failed_buffer() -> None:
    vat = at(4.48)
    vat.buffer(-0.30)
    vat.go_on(10.0)
    vat.spot(0.0, u_ph=0.2, reading_ph=4.48, instrument="strip")
    assert vat.probability < 0.003
    vat.go_on(120.0)
    assert (vat.claims, vat.stands.state) == (0, TargetState.NOT_SHOWN)


def test_a_meter_that_agrees_leaves_the_question_of_a_failed_buffer_open_and_a_fresh_buffer_answers_it() -> None:
    vat = at(4.48)
    vat.buffer(-0.30)
    vat.go_on(10.0)
    vat.spot(0.0, u_ph=0.05, reading_ph=4.48)
    assert 0.45 < vat.probability < 0.70
    vat.go_on(10.0)
    assert vat.claims == 0
    vat.buffer(0.0)
    assert vat.probability > 0.985
    assert vat.stands.lacks == (Lack.TIME,)  # what was read while the question stood counts anew


def test_a_new_calibration_voids_the_spot_that_was_made_with_the_old_line() -> None:
    vat = at(4.58)
    vat.spot(0.0, u_ph=0.05, reading_ph=4.58)
    vat.go_on(30.0)
    vat.recalibrate(-0.15 * 59.16 * calibration().slope)  # the same potential is now 0.15 lower
    vat.go_on(120.0)
    newest = vat.stands.newest
    assert newest is not None
    assert np.isclose(newest.ph, 4.43, atol=0.01)
    assert vat.claims == 0
    assert Lack.CONFIRMATION in vat.stands.lacks
    vat.spot(0.0, u_ph=0.05, reading_ph=4.43)
    assert vat.claims == 1
