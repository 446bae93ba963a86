"""Correct the log by how a calibration was found, or undo that.

Law: nothing stored is changed. A correction is a row that names what it rests on, who decided it, why and when; what
takes it back is another row. Raw and published values stay as they are, here and in every export.
"""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import click
import msgspec

from logger.cli._common import config_option, folded, json_option, load_config, print_json, sentences
from logger.cli._requests import BUSY_S, by_option, check_probe, examples, now_us, print_simulated, reading_store
from logger.cli._times import utc_option
from logger.config import Config
from logger.errors import RefusedError
from logger.model import Correction, Deviation
from logger.report.corrected import Interval, intervals, proposed, revocation, sentence
from logger.report.local_time import LocalTime
from logger.store import Store, queries

Command = TypeVar("Command", bound=Callable[..., Any])


@click.group(
    epilog=examples(
        "vatvigil correction list marrow-probe",
        'vatvigil correction apply marrow-probe --calibration 3 --by tova --why "found 0.06 off"',
        'vatvigil correction revoke marrow-probe --calibration 3 --by tova --why "the buffer was stale"',
    ),
)
def correction() -> None:
    """Correct the records of a calibration by how far it was found off in the end, or take that back.

    When a probe is calibrated anew, the old calibration is first read in the same buffers (as found). A correction
    spreads what was found linearly over the time between the two. What was published stays as it was: corrected values
    stand beside it, in `vatvigil export --corrected`.
    """


def _why_option(command: Command) -> Command:
    return click.option("--why", required=True, metavar="TEXT", help="Why, for the record.")(command)


def _calibration_option(command: Command) -> Command:
    text = "Number of the calibration whose records are meant (`correction list` shows it)."
    return click.option("--calibration", "calibration_id", type=int, required=True, metavar="ID", help=text)(command)


@correction.command("list")
@click.argument("probe")
@config_option
@json_option
@utc_option
@sentences
def list_(probe: str, config_path: Path, *, as_json: bool, utc: bool) -> None:
    """List the calibrations of PROBE and their corrections.

    With how each was found in the end, and whether a correction is in force.
    """
    config = load_config(config_path)
    with reading_store(config) as store:
        lives = intervals(store, probe)
    if not lives:
        check_probe(config, probe)
    if as_json:
        print_json({"simulated": config.simulated, "probe": probe, "intervals": msgspec.to_builtins(lives)})
        return
    print_simulated(simulated=config.simulated)
    if not lives:
        click.echo(f"No calibration of {probe} is stored, so there is nothing to correct.")
    clock = LocalTime.of(config.people, utc=utc)
    for one in lives:
        click.echo("\n".join(_lines(one, clock)))


def _lines(one: Interval, clock: LocalTime) -> Iterator[str]:
    until = "now (in force)" if one.until is None else f"{clock.shown_text(one.until)} ({one.days:.1f} days)"
    yield folded(f"Calibration {one.calibration}: {clock.shown_text(one.since)} to {until}")
    yield folded(_deviations_text(one), indent=2)
    if one.correction is not None:
        yield folded(f"IN FORCE: {sentence(one.correction, clock.shown)}", indent=2)
    for row in one.history:
        if row.revokes is not None:
            text = f"Correction {row.revokes} was revoked by {row.by}: {row.why}"
            yield folded(text, indent=2)


def _deviations_text(one: Interval) -> str:
    if not one.deviations:
        return "how it was found in the end is not known" if one.until else "not rechecked yet"
    return "found " + ", ".join(map(_deviation_text, one.deviations))


def _deviation_text(one: Deviation) -> str:
    return f"{one.deviation_ph:+.3f} at pH {one.reference_ph:.3f} (u {one.u_ph:.3f})"


@correction.command(
    epilog=examples('vatvigil correction apply marrow-probe --calibration 3 --by tova --why "found 0.06 off"')
)
@click.argument("probe")
@_calibration_option
@by_option
@_why_option
@config_option
@json_option
@sentences
def apply(
    probe: str,
    calibration_id: int,
    by: str,
    why: str,
    config_path: Path,
    as_json: bool,  # noqa: FBT001 - click's flag
) -> None:
    """Put the correction of a calibration's records in force."""

    def correction_of(store: Store, at_us: int) -> Correction:
        accepted = {one.calibration.id: one.calibration for one in queries.calibrations(store, probe) if one.accepted}
        if calibration_id not in accepted:
            raise RefusedError(_no_such(probe, calibration_id, list(accepted)))
        checks, decided = queries.checks(store, probe), queries.corrections(store, probe)
        return proposed(accepted[calibration_id], checks, decided, at_us=at_us, by=by, why=why)

    config = load_config(config_path)
    stored = _store(config, probe, correction_of, by=by, why=why)
    _print_stored(config, stored, f"In force: {sentence(stored, LocalTime.of(config.people).shown)}.", as_json=as_json)


@correction.command(
    epilog=examples('vatvigil correction revoke marrow-probe --calibration 3 --by tova --why "the buffer was stale"')
)
@click.argument("probe")
@_calibration_option
@by_option
@_why_option
@config_option
@json_option
@sentences
def revoke(
    probe: str,
    calibration_id: int,
    by: str,
    why: str,
    config_path: Path,
    as_json: bool,  # noqa: FBT001 - click's flag
) -> None:
    """Take back the correction of a calibration's records.

    Both decisions stay on record.
    """

    def correction_of(store: Store, at_us: int) -> Correction:
        return revocation(queries.corrections(store, probe), calibration_id, at_us=at_us, by=by, why=why)

    config = load_config(config_path)
    stored = _store(config, probe, correction_of, by=by, why=why)
    _print_stored(
        config, stored, f"Correction {stored.revokes} is revoked by {stored.by}: {stored.why}.", as_json=as_json
    )


def _no_such(probe: str, calibration: int, ids: list[int]) -> str:
    numbers = f"it has {', '.join(map(str, ids))}" if ids else "it has none"
    return f"{probe} has no accepted calibration {calibration}; {numbers}: see `vatvigil correction list {probe}`"


def _store(
    config: Config, probe: str, correction_of: Callable[[Store, int], Correction], *, by: str, why: str
) -> Correction:
    """Store a decision; refuse one that nobody stands for."""
    check_probe(config, probe)
    if not by.strip() or not why.strip():
        raise RefusedError("a correction needs a name and a reason: give --by NAME and --why TEXT")
    with Store.open(config.store_url, simulated=config.simulated, busy_s=BUSY_S) as store, store.begin() as work:
        stored = work.add_correction(correction_of(store, now_us(config)))
        work.commit()
    return stored


def _print_stored(config: Config, stored: Correction, text: str, *, as_json: bool) -> None:
    if as_json:
        print_json({"simulated": config.simulated, "correction": stored})
        return
    print_simulated(simulated=config.simulated)
    click.echo(folded(text))
