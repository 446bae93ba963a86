"""Calibrations over the life of an electrode, with how each was found, put into a store as a session does."""

from collections.abc import Sequence

from logger.measure.calibration import fit
from logger.model import Calibration, CalibrationPoint, Check, CheckKind, Command, CommandKind
from logger.store import UnitOfWork
from tests.cli.cli_fixture import House, Watching

DAY_US = 86_400_000_000
PROBE = "marrow-probe"


def points(slope: float, settle_s: float) -> list[CalibrationPoint]:
    """Two buffers at 25 C, by the Nernst slope 59.159 mV (CODATA, from memory)."""
    return [
        CalibrationPoint(
            buffer_ph=ph,
            potential_mv=2.0 + slope * 59.159 * (7.0 - ph),
            temperature_c=25.0,
            settle_s=settle_s,
            noise_mv=0.1,
        )
        for ph in (4.008, 6.865)
    ]


def calibrate(
    watching: Watching,
    at_us: int,
    slope: float,
    *,
    electrode: str = "E1",
    settle_s: float = 20.0,
    old: Calibration | None = None,
    found: Sequence[float] = (),
) -> Calibration:
    """Store a calibration, its command, and how the old one was found, in one transaction."""
    made = fit(points(slope, settle_s), probe=PROBE, at_us=at_us, by="tova", electrode=electrode)
    with watching.store.begin() as work:
        made = work.add_calibration(made)
        if old is not None:
            keep(work, old, at_us, found)
        work.add_command(Command(id=0, at_us=at_us, kind=CommandKind.CALIBRATE, vat="", probe=PROBE, calibration=made))
        work.commit()
    return made


def keep(work: UnitOfWork, old: Calibration, at_us: int, found: Sequence[float]) -> None:
    """Store what the old calibration read in the buffers, off by so much."""
    for ph, deviation in zip((4.008, 6.865), found, strict=False):
        work.add_check(
            Check(
                id=0,
                probe=PROBE,
                at_us=at_us,
                kind=CheckKind.AS_FOUND,
                reference_ph=ph,
                u_reference_ph=0.011547,
                reading_ph=ph + deviation,
                deviation_ph=deviation,
                tolerance_ph=0.05,
                passed=abs(deviation) <= 0.05,
                calibration=old.id,
                electrode=old.electrode,
                by="tova",
            )
        )


def life(house: House, first_us: int, slopes: Sequence[float], *, every_d: float = 7.0) -> list[Calibration]:
    """Fill a store with calibrations, each found 0.04 and 0.01 off after its days, and a record after each."""
    made = list[Calibration]()
    with house.watch() as watching:
        for n, slope in enumerate(slopes):
            at_us = first_us + round(n * every_d * DAY_US)
            made.append(calibrate(watching, at_us, slope, old=made[-1] if made else None, found=(0.04, 0.01)))
            watching.take([145.0, 145.0], first_us=at_us + DAY_US)
    return made
