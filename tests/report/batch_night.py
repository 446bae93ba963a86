"""A batch of a day with all that may go wrong in it, made by the daemon's own cycles: for tests of its report."""

from collections.abc import Callable, Iterator
from math import exp
from pathlib import Path

from logger.measure.calibration import fit
from logger.model import (
    Acceptance,
    BatchContent,
    BatchEntry,
    Calibration,
    Check,
    CheckKind,
    Command,
    CommandKind,
    Indication,
    Mark,
    batch_id,
)
from logger.model.batch import (
    Addition,
    BatchEnd,
    BatchHeader,
    BatchStart,
    CriticalLimits,
    Departure,
    Finish,
    Ingredient,
    Remark,
)
from logger.model.care import CareEntry, CareKind
from logger.store import UnitOfWork
from logger.structs import replace
from logger.units import HOUR_US, SECOND_US
from tests.cli.cli_fixture import POINTS, House, Watching

BEGIN_US = 1_732_467_600 * SECOND_US
"""2024-11-24T17:00:00Z, 18:00 in Paris."""
HOURS = 26
BATCH = batch_id("marrow", BEGIN_US)
EVIL = "</li><script>alert('note')</script> " + "so long a note " * 660
"""Nearly 10 kB, as much as is taken, with markup."""
MORE = """
[people]
zone = "Europe/Paris"
[vat.marrow.target]
ph = 4.6
[vat.marrow.alarm.deadline]
setpoint = 22
"""
PERIOD_US, PER_HOUR = 20 * SECOND_US, 180


def true_ph(hour: float) -> float:
    """Return the pH of the vat."""
    return 4.47 + 1.28 / (1 + exp((hour - 8) / 2))


def true_c(hour: float) -> float:
    """Return its temperature: too warm for a while."""
    return 21.0 + (4.0 if 13 <= hour < 15 else 0.0)


def potential(ph: float, celsius: float, number: int) -> float:
    """Return what the electrode gives, with its noise."""
    line = fit(POINTS, probe="marrow-probe", at_us=0, by="")
    k = 59.159326 * (celsius + 273.15) / 298.15
    return line.offset_mv + line.slope * k * (7.0 - ph) + 0.1 * (number % 7) - 0.3 + 0.3 * (number % 2)


def indications(since_h: float, until_h: float) -> Iterator[Indication]:
    """Yield the readings of some hours; from 10.5 to 11 the probe hangs in the air, knocked out of its place."""
    for number in range(round(since_h * PER_HOUR), round(until_h * PER_HOUR)):
        hour, at_us = number / PER_HOUR, BEGIN_US + number * PERIOD_US
        ph = 7.0 if 10.5 <= hour < 11 else true_ph(hour)
        yield Indication(
            probe="marrow-probe",
            at_us=at_us,
            elapsed_us=at_us - 1_700_000_000 * SECOND_US,
            potential_mv=round(potential(ph, true_c(hour), number), 1),
            temperature_c=round(true_c(hour) + 0.1 * (number % 5 == 0), 1),
        )


def entry(
    content: BatchContent, hour: float, *, happened_h: float | None = None, **more: object
) -> BatchEntry[BatchContent]:
    """Return an entry made at an hour of the batch."""
    at_us = BEGIN_US + round(hour * HOUR_US)
    happened_us = at_us if happened_h is None else BEGIN_US + round(happened_h * HOUR_US)
    values = {"by": "tova", "entry": f"{type(content).__name__}-{hour:g}", **more}
    return BatchEntry(batch=BATCH, vat="marrow", at_us=at_us, happened_at_us=happened_us, content=content, **values)  # type: ignore[arg-type] # the tests give what they name


def command(kind: CommandKind, hour: float, **more: object) -> Command:
    """Return what somebody asks at an hour of the batch."""
    return Command(id=0, at_us=BEGIN_US + round(hour * HOUR_US), kind=kind, by="tova", **{"vat": "marrow", **more})  # type: ignore[arg-type] # as above


def spot(work: UnitOfWork, hour: float, reference_ph: float, reading_ph: float, *, calibration: int = 1) -> None:
    """Store a measurement with another instrument, and the command for it."""
    off = round(reading_ph - reference_ph, 3)
    check = work.add_check(
        Check(id=0, probe="marrow-probe", at_us=BEGIN_US + round(hour * HOUR_US), kind=CheckKind.SPOT,
              reference_ph=reference_ph, u_reference_ph=0.03, reading_ph=reading_ph, deviation_ph=off,
              tolerance_ph=0.1, passed=abs(off) <= 0.1, calibration=calibration, vat="marrow",
              instrument="hand meter 2", by="tova")
    )  # fmt: skip
    work.add_command(command(CommandKind.CHECK, hour, probe="marrow-probe", check=check))


def recalibrated(hour: float, *, shift_mv: float, verdict: Acceptance) -> Calibration:
    """Return another calibration."""
    points = tuple(replace(point, potential_mv=point.potential_mv + shift_mv) for point in POINTS)
    line = fit(points, probe="marrow-probe", at_us=BEGIN_US + round(hour * HOUR_US), by="tova")
    why = ("the two buffers lie 40 mV from where they should: is one of them the wrong one?",)
    return replace(line, verdict=verdict, findings=why if verdict is Acceptance.REFUSED else ())


def begin(work: UnitOfWork) -> None:
    """Begin the batch: its start, header, limits, and what goes in."""
    started = entry(BatchStart(profile="wild-vegetables"), 0)
    work.add_command(command(CommandKind.MARK, 0, note=Mark.STARTED.value), [started])
    for content in (
        BatchHeader(product="brined roots", lot="N-17", volume_l=380.0, salt_percent=2.6),
        CriticalLimits(ph=4.6, deadline_h=22.0, low_c=16.0, high_c=24.0, approved_by="the process authority"),
        Ingredient(name="black radish", lot="R4", mass_kg=82.0),
    ):
        work.add_batch_entry(entry(content, 0))


def make(folder: Path) -> House:
    """Return a house in which the batch was made."""
    house = House(folder=folder, more=MORE)
    with house.watch() as watching:
        watching.calibrate(BEGIN_US)
        _ask(watching, begin)
        _take(watching, 0, 8)
        _take(watching, 9, 11)  # an hour without any record
        _ask(watching, lambda work: work.add_batch_entry(entry(Remark(text=EVIL), 11)))
        _take(watching, 11, 11.5)
        _ask(watching, lambda work: spot(work, 11.5, 4.61, 4.59))
        _take(watching, 11.5, 12)
        refused = recalibrated(12, shift_mv=-40, verdict=Acceptance.REFUSED)
        _ask(watching, lambda work: work.add_calibration(refused, accepted=False))
        _ask(watching, _recalibrate)
        _take(watching, 12, 18)
        _ask(watching, lambda work: spot(work, 18, 4.49, 4.49, calibration=3))
        _take(watching, 18, 18.2)
        _ask(watching, lambda work: spot(work, 18.2, 5.09, 4.49, calibration=3))
        _take(watching, 18.2, HOURS)
        _ask(watching, _end)
        _take(watching, HOURS, HOURS + 0.1)
    return house


def _take(watching: Watching, since_h: float, until_h: float) -> None:
    watching.keep(watching.acquisition.evaluate(list(indications(since_h, until_h))))


def _ask(watching: Watching, what: Callable[[UnitOfWork], object]) -> None:
    with watching.store.begin() as work:
        what(work)
        work.commit()


def _recalibrate(work: UnitOfWork) -> None:
    made = work.add_calibration(recalibrated(12.1, shift_mv=1.5, verdict=Acceptance.ACCEPTED))
    work.add_command(command(CommandKind.CALIBRATE, 12.1, vat="", probe="marrow-probe", calibration=made))
    rinsed_us = BEGIN_US + 12 * HOUR_US
    rinsed = CareEntry(entry="rinsed", probe="marrow-probe", kind=CareKind.RINSED, at_us=rinsed_us,
                       happened_at_us=rinsed_us, by="tova")  # fmt: skip
    work.add_care_entry(rinsed)
    work.add_batch_entry(entry(Addition(what="brine", litres=4.0, salt_percent=2.6), 12.2))


def _end(work: UnitOfWork) -> None:
    warm = Departure(limit="temperature above 24 C", from_at_us=BEGIN_US + 13 * HOUR_US,
                     until_at_us=BEGIN_US + 15 * HOUR_US, cause="heater stuck", immediate_action="switched it off",
                     disposition="release")  # fmt: skip
    late = Departure(limit="no reading for an hour", cause="cable pulled")
    work.add_batch_entry(entry(warm, 16))
    work.add_batch_entry(entry(late, 20, happened_h=8))
    work.add_batch_entry(entry(Ingredient(name="black radish", lot="R5", mass_kg=82.0), 22, happened_h=0,
                               corrects="Ingredient-0", note="misread the label"))  # fmt: skip
    work.add_batch_entry(entry(Finish(method="blended sample"), 25.5))
    ended = entry(BatchEnd(disposition="hold"), HOURS)
    work.add_command(command(CommandKind.MARK, HOURS, note=Mark.ENDED.value), [ended])
