"""`vatvigil calibration`: put one in force, now or later, list them.

Law: a calibration is kept for ever, whether it comes into force or not; it comes into force through the daemon, before
a record whose number is kept too. The calibration and the command for it are stored in one transaction.
"""

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from textwrap import fill
from typing import Any

import click
import msgspec
import numpy as np

from logger.cli._common import config_option, json_option, load_config, print_json, sentences
from logger.cli._guided import bench, is_missing, method_option, order_of
from logger.cli._points import PointInput, point_option, read
from logger.cli._requests import (
    PendingRequest,
    await_answers,
    by_option,
    check_name,
    check_probe,
    examples,
    exit_refused,
    now_us,
    reading_store,
    say,
    say_simulated,
    wait_option,
)
from logger.cli._times import moment_option
from logger.config import Config, ProbeConfig
from logger.errors import RefusedError
from logger.guided import calibrating
from logger.guided.calibrating import CalibrationPlan
from logger.guided.state_machine import TakenPoint
from logger.guided.storing import keep_calibration, use_calibration
from logger.measure.calibration import is_replaced
from logger.model import Acceptance, Calibration, CalibrationPoint, Method
from logger.probe.own_ph import equivalent_mv
from logger.store import Store, queries
from logger.store.queries import StoredCalibration

SHOWN_PH, SHOWN_C = 4.6, 25.0
"""Where the doubt of a reading is told: at the limit that most ferments must pass."""
DAY_S = 86_400.0
AHEAD_US = 60_000_000
"""So much may the clock of whoever calibrated be ahead of ours. [CP]"""
_UNUSED = "accepted, never used"


@click.group(
    short_help="put a calibration in force, now or later, list them",
    epilog=examples(
        "vatvigil calibration add marrow-probe --point 6.86:6.1:25 --point 4.005:174.2:25",
        "vatvigil calibration add marrow-probe --from dip.toml",
        "vatvigil calibration use 2",
        "vatvigil calibration list marrow-probe",
    ),
)
def calibration() -> None:
    """Put a calibration in force, or list those of a probe."""


@calibration.command(
    epilog=examples(
        "vatvigil calibration add marrow-probe --point 6.86:6.1:25 --point 4.005:174.2:25",
        "vatvigil calibration add marrow-probe --from dip.toml --by tova",
    ),
)
@click.argument("probe")
@click.option("--from", "file", type=click.Path(dir_okay=False, path_type=Path), help="A TOML file with the points.")
@point_option("--point", "points", help="pH, mV and Celsius in one buffer; give 1 to 5.")
@moment_option("--made-at", help="When the probe stood in the buffers [default: the file's, or now].")
@method_option
@by_option
@wait_option
@config_option
@json_option
@sentences
def add(  # noqa: PLR0913, PLR0917 - one parameter for each option
    probe: str,
    file: Path | None,
    points: tuple[CalibrationPoint, ...],
    made_at: int | None,
    method: str,
    by: str,
    wait_s: float | None,
    config_path: Path,
    as_json: bool,  # noqa: FBT001 - click's flag
) -> None:
    """Fit the line through one to five buffers, judge it, and put it in force for PROBE unless it is refused.

    Give the pH that the buffer has at the temperature it had, from the buffer's own table. The file holds `made_at`
    (a time with its offset), `by` (may be left out) and, for each buffer, a table [[point]] with buffer (its id) or
    buffer_ph, potential_mv and temperature_c. A store that does not exist yet is made.

    For a probe that reports its own pH, give that in place of the millivolts: --point 4.00:4.05:20.
    """
    from logger.measure.calibration import fit

    config = load_config(config_path)
    check_probe(config, probe)
    points = tuple(_told_point(config.probe(probe), point) for point in points)
    dip = _dip(config, file, points, now_us=now_us(config), made_at_us=made_at)
    made_at_us = dip.made_at_us or 0
    fit(dip.points, probe=probe, at_us=made_at_us, by=by)  # points that make no line are refused before a store is made
    wait_s = 0.0 if is_missing(config) else wait_s
    with bench(config, probe, by=dip.by or by, migrate=is_missing(config)) as here:
        taken = [TakenPoint(point=point, at_us=made_at_us) for point in dip.points]
        made, checks = calibrating.judged(order_of(here, method=Method(method)), taken)
        wanted = made.verdict is not Acceptance.REFUSED
        stored = keep_calibration(here.store, made, checks, is_wanted=wanted, at_us=now_us(config), by=by)
        asked = await_answers(config, here.store, list(stored.commands), probe=probe, wait_s=wait_s)
    _tell(config, stored.calibration, asked, as_json=as_json)


@calibration.command(epilog=examples("vatvigil calibration use 2", "vatvigil calibration use 2 --by tova --wait 0"))
@click.argument("number", type=click.IntRange(1, 2**63 - 1), metavar="N")
@by_option
@wait_option
@config_option
@json_option
@sentences
def use(number: int, by: str, wait_s: float | None, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """Put calibration N in force, which was stored without that: `vatvigil calibration list PROBE` shows the numbers.

    Its age counts from when the probe stood in the buffers. Checks that were made with another calibration say nothing
    of it, so its doubt is that of its age: check it in a buffer if much has happened since.
    """
    config = load_config(config_path)
    with reading_store(config) as store:
        made = _stored(config, store, number)
    with bench(config, made.probe, by=by) as here:
        if here.in_force is not None and here.in_force.id == number:
            raise RefusedError(f"calibration {number} is in force already, or comes into force with the next record")
        order = order_of(here, method=made.method)
        for caution in _cautions(order, made, at_us=now_us(config)):
            click.echo(fill(f"Warning: {caution}.", 80), err=True)
        checks = calibrating.found_since(order, made)
        commands = use_calibration(here.store, made, checks, at_us=now_us(config), by=by)
        asked = await_answers(config, here.store, list(commands), probe=made.probe, wait_s=wait_s)
    _tell(config, made, asked, as_json=as_json)


def _stored(config: Config, store: Store, number: int) -> Calibration:
    """Return a stored calibration that may come into force. Raises RefusedError."""
    found = queries.calibration_of(store, number)
    if found is None:
        raise RefusedError(f"no calibration {number} is stored: `vatvigil calibration list PROBE` shows the numbers")
    made = found.calibration
    check_name(
        made.probe,
        [probe.id for probe in config.probes],
        what=f"calibration {number} is of another probe, and the configuration has no probe",
    )
    if made.verdict is Acceptance.REFUSED:
        raise RefusedError(f"calibration {number} was refused when it was made: {' '.join(made.findings)}")
    return made


def _cautions(order: CalibrationPlan, made: Calibration, *, at_us: int) -> Iterator[str]:
    """Yield what speaks against putting a stored calibration in force."""
    from logger.report.words import age, moment

    old_s = (at_us - made.at_us) / 1e6
    if old_s > order.probe.calibrate_every_d * DAY_S:
        yield f"calibration {made.id} is {age(old_s)} old, so the alarm calibration-overdue will stand: calibrate anew"
    if is_replaced(made.electrode, order.probe.electrode):
        yield (
            f"calibration {made.id} is of electrode {made.electrode}, and the configuration has {order.probe.electrode}"
            f" in {made.probe}: calibrate anew, unless the configuration is wrong"
        )
    found = (check for check in order.checks if check.calibration == made.id)
    last = max(found, key=lambda check: (check.at_us, abs(check.deviation_ph)), default=None)
    if last is not None and not last.passed:
        yield (
            f"calibration {made.id} was found off by {last.deviation_ph:+.2f} on {moment(last.at_us)}, and its doubt"
            " does not count that: check it in a buffer before you rely on it"
        )


def _tell(config: Config, made: Calibration, asked: list[PendingRequest], *, as_json: bool) -> None:
    """Print a calibration and what became of it; exit 1 if it does not come into force."""
    if as_json:
        told = {"simulated": config.simulated, "calibration": _told(config, made)}
        print_json({**told, "asked": asked[0] if asked else None})
    else:
        say_simulated(simulated=config.simulated)
        _print(config, made)
        say(asked)
    if not asked:
        click.echo(f"Calibration {made.id} is refused: it is kept for the record, never applied.", err=True)
        sys.exit(1)
    exit_refused(asked)


def _told_point(probe: ProbeConfig, point: CalibrationPoint) -> CalibrationPoint:
    """Return a point in mV; of a probe that reports its own pH that is what was written in its place."""
    if not probe.own_ph:
        return point
    mv = equivalent_mv(point.potential_mv, temperature_c=point.temperature_c, assumed_c=None)
    return replace(point, potential_mv=mv)


def _dip(
    config: Config, file: Path | None, points: tuple[CalibrationPoint, ...], *, now_us: int, made_at_us: int | None
) -> PointInput:
    """Return the points with the time they were taken; refuse what cannot be of this configuration."""
    if (file is None) == (not points):
        raise click.UsageError("give either --from FILE or --point, once for each buffer")
    dip = (
        PointInput(points=points, made_at_us=now_us, simulated=config.simulated)
        if file is None
        else _read(config, file)
    )
    dip = replace(dip, made_at_us=dip.made_at_us if made_at_us is None else made_at_us)
    if dip.made_at_us is None:
        raise RefusedError(f"{file}: made_at: it is missing; write made_at = 2026-11-24T08:00:00Z, or give --made-at")
    if dip.simulated and not config.simulated:
        raise RefusedError(f"{file}: these are a simulator's figures, the configuration watches real vats")
    if config.simulated and not dip.simulated:
        click.echo("Note: the file does not say simulated = true; all that this store holds is simulated.", err=True)
    if not config.simulated and dip.made_at_us > now_us + AHEAD_US:
        raise RefusedError("the calibration would be made in the future: correct made_at, or this machine's clock")
    return dip


def _read(config: Config, file: Path) -> PointInput:
    from logger.measure.buffers import shelf

    return read(file, shelf(config.buffers))


def _expanded_u(config: Config, made: Calibration) -> float:
    """Return U (k = 2) of one reading at `SHOWN_PH`, fresh from the buffers."""
    from logger.measure.uncertainty import standard_uncertainty

    u = standard_uncertainty(
        made,
        config.probe(made.probe).errors,
        at_us=np.array([made.at_us]),
        ph=np.array([SHOWN_PH]),
        temperature_c=np.array([SHOWN_C]),
    )
    return 2 * float(u[0])


def _told(config: Config, made: Calibration) -> dict[str, Any]:
    from logger.mqtt.payloads import rfc3339

    doubt = {"ph": SHOWN_PH, "temperature_c": SHOWN_C, "expanded_uncertainty_ph": round(_expanded_u(config, made), 4)}
    return {
        **msgspec.to_builtins(made),
        "made_at": rfc3339(made.at_us),
        "fresh_reading": {**doubt, "coverage_factor": 2},
    }


def _print(config: Config, made: Calibration) -> None:
    from logger.report.page import row
    from logger.report.words import moment

    by = f" by {made.by}" if made.by else ""
    click.echo(f"Calibration {made.id} of {made.probe}, made {moment(made.at_us)}{by}")
    for label, text in _facts(made, _expanded_u(config, made)).items():
        click.echo("\n".join(row(label, text)))
    for number, text in enumerate([made.verdict.capitalize(), *made.findings]):
        click.echo("\n".join(row("" if number else "Verdict", text)))


def _facts(made: Calibration, expanded_u: float) -> dict[str, str]:
    beyond = "" if made.low_ph <= SHOWN_PH <= made.high_ph else " (beyond them)"
    doubt = f"one reading at pH {SHOWN_PH}, {SHOWN_C:g} C{beyond} has U = {expanded_u:.2f} (k = 2) when fresh; "
    return {
        "Slope": f"{made.slope:.1%} of the Nernst slope",
        "Offset": f"{made.offset_mv:+.1f} mV at pH 7",
        "Residual": f"{made.residual_mv:.1f} mV, the largest distance of a point from the line",
        "Buffers": f"pH {made.low_ph:.4g} to {made.high_ph:.4g}; beyond them the line is extrapolated",
        "Doubt": doubt + "it grows with the days",
    }


@calibration.command("list")
@click.argument("probe")
@config_option
@json_option
@sentences
def list_(probe: str, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """List the calibrations of PROBE, oldest first: which is in force, which was, which never came into force."""
    config = load_config(config_path)
    with reading_store(config) as store:
        found = queries.calibrations(store, probe)
        in_force = {
            carry.electrode.calibration.id for carry in queries.watches(store).values() if carry.electrode.calibration
        }
    if not found:
        check_probe(config, probe)
    if as_json:
        told = [
            {
                **_told_stored(one.calibration),
                "accepted": one.accepted,
                "in_force": one.calibration.id in in_force,
                "never_used": _standing(one, in_force) == _UNUSED,
            }
            for one in found
        ]
        print_json({"simulated": config.simulated, "calibrations": told})
        return
    say_simulated(simulated=config.simulated)
    if not found:
        click.echo(f"No calibration of {probe} is stored: `vatvigil calibration add --help` says how to add one.")
        return
    for one in found:
        click.echo(_line(one, _standing(one, in_force)))
    if any(_standing(one, in_force) == _UNUSED for one in found):
        click.echo("One that was never used: `vatvigil calibration use N` puts it in force.")


def _told_stored(made: Calibration) -> dict[str, Any]:
    from logger.mqtt.payloads import rfc3339

    return {**msgspec.to_builtins(made), "made_at": rfc3339(made.at_us)}


def _standing(stored: StoredCalibration, in_force: set[int]) -> str:
    """Say what became of a calibration; empty: it was in force, or comes into force with the daemon's next record."""
    if stored.calibration.id in in_force:
        return "IN FORCE"
    if stored.calibration.verdict is Acceptance.REFUSED:
        return "refused"
    return "" if stored.accepted else _UNUSED


def _line(stored: StoredCalibration, standing: str) -> str:
    from logger.report.page import WIDTH
    from logger.report.words import moment

    made = stored.calibration
    mark = standing and f" {standing}:"
    by = f", by {made.by}" if made.by else ""
    text = (
        f"{made.id:>3}  {moment(made.at_us)}{mark} slope {made.slope:.1%}, offset {made.offset_mv:+.1f} mV, "
        f"residual {made.residual_mv:.1f} mV, pH {made.low_ph:.4g} to {made.high_ph:.4g}{by}"
    )
    return fill(text, WIDTH, subsequent_indent="     ")
