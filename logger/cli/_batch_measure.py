"""Enter in the record of a batch what another instrument, a strip or a titration gave.

Law: a pH that can be compared with the probe is a spot measurement, the same as `verify --spot` makes: it is stored
once, as a check, and the record names that check. Where it cannot be compared, the command says why.
"""

from typing import Any

import click

from logger.cli._batch_entry import Desk, Entered, EntryOptions, desk, enter, entry_options, watched_vat
from logger.cli._requests import await_answers, examples
from logger.config import VatConfig
from logger.errors import RefusedError
from logger.measure.comparison import Spot, check_now
from logger.model import BatchEntry, BatchRecord, Check, CommandKind, Measurements, WatchState, figures
from logger.model.batch import UNIT_OF, IndependentMeasurement, Measured, MeasuredBy
from logger.store import batches, history, queries
from logger.store.history import RecordSpan
from logger.structs import replace

MOST_ROWS = 1000
"""Ten minutes of a probe that is read every second hold no more."""
METHODS = [each.value for each in MeasuredBy]
USUAL_U_PH = {MeasuredBy.METER.value: 0.05, MeasuredBy.STRIP.value: 0.2}
"""Standard uncertainty where nobody said one. Common practice, no source."""


@click.command(
    epilog=examples(
        'vatvigil batch measure marrow --ph 4.31 --u 0.05 --instrument "hand meter 2"',
        'vatvigil batch measure marrow --ph 4.5 --method strip --sample "brine, 10 cm deep"',
        'vatvigil batch measure sedge --acidity 5.1 --acid "acetic acid" --instrument "0.1 M NaOH"',
    ),
)
@click.argument("batch")
@click.option("--ph", type=float, metavar="PH", help="pH.")
@click.option("--acidity", type=float, metavar="%", help="Titratable acidity, g in 100 mL (vinegar is titrated).")
@click.option("--salt", type=float, metavar="%", help="Salt, part of the mass.")
@click.option("--temperature", type=float, metavar="C", help="Temperature.")
@click.option("--alcohol", type=float, metavar="%", help="Alcohol by volume.")
@click.option(
    "--u", type=float, metavar="NUMBER", help="Its standard uncertainty [default for pH: meter 0.05, strip 0.2]."
)
@click.option(
    "--method", type=click.Choice([each.value for each in MeasuredBy]), help="How [default: meter; acidity: titration]."
)
@click.option("--instrument", default="", metavar="TEXT", help="Which instrument, strip or titrant.")
@click.option("--acid", default="", metavar="TEXT", help="As which acid the acidity is given.")
@click.option("--sample", default="", metavar="TEXT", help="Where it was taken: place, depth, brine or solids.")
@click.option("--sample-c", type=float, metavar="C", help="Temperature of the sample.")
@entry_options
def measure(batch: str, *, asked: EntryOptions, **said: Any) -> None:  # noqa: ANN401 - numbers and texts
    """Enter an independent measurement of BATCH.

    A pH measured in the brine of the vat now is compared with the probe, as by `verify --spot`; do not enter it twice.
    """
    quantity, value = _one(said)
    with desk(asked) as at:
        meant = batches.find(at.store, batch)
        entry = at.who.entry(meant.id, meant.vat, _measured(quantity, value, said))
        at.tell(meant, _entered(at, meant, entry))


def _one(said: dict[str, Any]) -> tuple[Measured, float]:
    named = {"ph": Measured.PH, "acidity": Measured.ACIDITY, "salt": Measured.SALT}
    named |= {"temperature": Measured.TEMPERATURE, "alcohol": Measured.ALCOHOL}
    given = [(quantity, said[name]) for name, quantity in named.items() if said[name] is not None]
    if len(given) != 1:
        raise click.UsageError("give one of --ph, --acidity, --salt, --temperature and --alcohol")
    return given[0]


def _measured(quantity: Measured, value: float, said: dict[str, Any]) -> IndependentMeasurement:
    usual = MeasuredBy.TITRATION if quantity is Measured.ACIDITY else MeasuredBy.METER
    method = said["method"] or usual.value
    u = USUAL_U_PH.get(method) if said["u"] is None and quantity is Measured.PH else said["u"]
    given = {name: said[name] for name in ("instrument", "acid", "sample", "sample_c")}
    return IndependentMeasurement(
        quantity=quantity.value, value=value, unit=UNIT_OF[quantity], u=u, method=method, **given
    )


def _entered(at: Desk, meant: BatchRecord, entry: BatchEntry[IndependentMeasurement]) -> Entered:
    """Store a measurement, compared with the probe if it can be."""
    if entry.content.quantity != Measured.PH:
        return enter(at.config, at.store, None, (entry,), wait_s=0)
    try:
        vat = _vat_now(at, meant, entry)
        check = _check(at, vat, entry.content)
    except RefusedError as refused:
        entered = enter(at.config, at.store, None, (entry,), wait_s=0)
        return replace(entered, remarks=(f"It is not compared with the probe: {refused}.",))
    return _compared(at, vat, entry, check)


def _vat_now(at: Desk, meant: BatchRecord, entry: BatchEntry[IndependentMeasurement]) -> VatConfig:
    """Return the vat that was measured now. Raises RefusedError for another time."""
    vat = watched_vat(at.config, meant)
    if entry.is_backdated:
        raise RefusedError("it was not measured now")
    if vat is None:
        raise RefusedError("nobody watches this batch any more")
    return vat


def _check(at: Desk, vat: VatConfig, measured: IndependentMeasurement) -> Check:
    """Return the check that a spot measurement makes with what the probe reads now. Raises RefusedError for none."""
    carry = queries.watches(at.store).get(vat.id)
    end = queries.last_position(at.store, vat.probe)
    if carry is None or carry.probe != vat.probe or end is None:
        raise RefusedError("nobody has watched this vat yet")
    span = RecordSpan(vat=vat.id, probe=vat.probe, first=max(1, end.seq - MOST_ROWS), last=end.seq)
    recent = Measurements.concatenate([*history.measurements(at.store, span)])
    estimate = carry.electrode.estimate
    used_last = estimate.instruments[-1].name if estimate is not None and estimate.instruments else ""
    spot = Spot(ph=measured.value or 0.0, u_ph=measured.u or 0.0, instrument=measured.instrument or used_last)
    state = WatchState.of(carry, recent)
    return check_now(spot, state, at.config.probe(vat.probe), vat=vat.id, by=at.asked.by, at_us=at.now.at_us)


def _compared(at: Desk, vat: VatConfig, entry: BatchEntry[IndependentMeasurement], check: Check) -> Entered:
    """Store the check, the command by which the watch hears of it, and the entry that names it."""
    with at.store.begin() as work:
        stored = work.add_check(replace(check, note=entry.note))
        command = at.who.command(kind=CommandKind.CHECK, vat="", probe=vat.probe, check=stored)
        figures.check(command)
        holds = replace(entry.content, instrument=check.instrument, reading=check.reading_ph, check=stored.id)
        named = replace(entry, content=holds)
        number = work.add_command(command, [named])
        kept = work.add_batch_entry(named)
        work.commit()
    asked = tuple(await_answers(at.config, at.store, [number], probe=vat.probe, wait_s=at.asked.wait_s))
    apart = f"{check.deviation_ph:+.2f}, {'within' if check.passed else 'beyond'} {check.tolerance_ph:g}"
    words = f"The probe reads pH {check.reading_ph:.2f} beside it: {apart} (check {stored.id})."
    return Entered(entries=(kept,), asked=asked, remarks=(words,))
