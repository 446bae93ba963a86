"""Put a calibration in force, or list those of a probe.

Law: a calibration is kept for ever, whether it comes into force or not; it comes into force through the daemon, before
a record whose number is kept too. The calibration and the command for it are stored in one transaction.
"""

import sys
from collections.abc import Iterator
from pathlib import Path
from textwrap import fill
from typing import Any

import click
import msgspec
import numpy as np

from logger.cli._common import config_option, folded, json_option, load_config, print_json, screen_width, sentences
from logger.cli._guided import calibration_plan, is_store_missing, method_option, open_session
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
    print_outcomes,
    print_simulated,
    reading_store,
    wait_option,
)
from logger.cli._times import Given, HouseTime, at, moment_option, utc_option
from logger.config import Config, ProbeConfig
from logger.errors import RefusedError
from logger.guided import calibrating
from logger.guided.calibrating import CalibrationPlan
from logger.guided.state_machine import TakenPoint
from logger.guided.storing import keep_calibration, use_calibration
from logger.measure.calibration import is_replaced
from logger.model import Acceptance, Calibration, CalibrationPoint, Method
from logger.probe.own_ph import equivalent_mv
from logger.report.local_time import LocalTime
from logger.store import Store, queries
from logger.store.queries import StoredCalibration
from logger.structs import replace

SHOWN_PH, SHOWN_C = 4.6, 25.0
"""Where the uncertainty of a reading is shown: at the limit that most ferments must pass."""
DAY_S = 86_400.0
AHEAD_US = 60_000_000
"""So much may the clock of whoever calibrated be ahead of ours. Common practice, no source."""
_UNUSED = "accepted, never used"


@click.group(
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
    made_at: Given | None,
    method: str,
    by: str,
    wait_s: float | None,
    config_path: Path,
    as_json: bool,  # noqa: FBT001 - click's flag
) -> None:
    """Fit a line to one to five buffers and put it in force.

    It is judged first; a refused one never comes into force for PROBE.

    Give the pH that the buffer has at the temperature it had, from the buffer's own table. The file holds `made_at`
    (a time with its offset), `by` (may be left out) and, for each buffer, a table [[point]] with buffer (its id) or
    buffer_ph, potential_mv and temperature_c. A store that does not exist yet is made.

    For a probe that reports its own pH, give that in place of the millivolts: --point 4.00:4.05:20.
    """
    from logger.measure.calibration import fit

    config = load_config(config_path)
    check_probe(config, probe)
    points = tuple(_point_in_mv(config.probe(probe), point) for point in points)
    now = HouseTime.of(config)
    made_us = None if made_at is None else at(made_at, now)
    given = _points_input(config, file, points, now_us=now.at_us, made_at_us=made_us)
    made_at_us = given.made_at_us or 0
    fit(
        given.points, probe=probe, at_us=made_at_us, by=by
    )  # points that make no line are refused before a store is made
    wait_s = 0.0 if is_store_missing(config) else wait_s
    with open_session(config, probe, by=given.by or by, migrate=is_store_missing(config)) as session:
        taken = [TakenPoint(point=point, at_us=made_at_us) for point in given.points]
        fitted, checks = calibrating.fit_and_judge(calibration_plan(session, method=Method(method)), taken)
        wanted = fitted.verdict is not Acceptance.REFUSED
        stored = keep_calibration(session.store, fitted, checks, is_wanted=wanted, at_us=now_us(config), by=by)
        pending = await_answers(config, session.store, list(stored.commands), probe=probe, wait_s=wait_s)
    _print_and_exit(config, stored.calibration, pending, as_json=as_json)


@calibration.command(epilog=examples("vatvigil calibration use 2", "vatvigil calibration use 2 --by tova --wait 0"))
@click.argument("number", type=click.IntRange(1, 2**63 - 1), metavar="N")
@by_option
@wait_option
@config_option
@json_option
@sentences
def use(number: int, by: str, wait_s: float | None, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """Put calibration N in force, which is stored already.

    `vatvigil calibration list PROBE` shows the numbers.

    Its age counts from when the probe stood in the buffers. Checks that were made with another calibration say nothing
    of it, so its uncertainty is that of its age: check it in a buffer if much has happened since.
    """
    config = load_config(config_path)
    with reading_store(config) as store:
        stored = _stored(config, store, number)
    with open_session(config, stored.probe, by=by) as session:
        if session.in_force is not None and session.in_force.id == number:
            raise RefusedError(f"calibration {number} is in force already, or comes into force with the next record")
        plan = calibration_plan(session, method=stored.method)
        for caution in _cautions(plan, stored, at_us=now_us(config), clock=LocalTime.of(config.people)):
            click.echo(folded(f"Warning: {caution}."), err=True)
        checks = calibrating.new_as_found_checks(plan, stored)
        commands = use_calibration(session.store, stored, checks, at_us=now_us(config), by=by)
        pending = await_answers(config, session.store, list(commands), probe=stored.probe, wait_s=wait_s)
    _print_and_exit(config, stored, pending, as_json=as_json)


def _stored(config: Config, store: Store, number: int) -> Calibration:
    """Return a stored calibration that may come into force. Raises RefusedError."""
    stored = queries.calibration_of(store, number)
    if stored is None:
        raise RefusedError(f"no calibration {number} is stored: `vatvigil calibration list PROBE` shows the numbers")
    wanted = stored.calibration
    check_name(
        wanted.probe,
        [probe.id for probe in config.probes],
        what=f"calibration {number} is of another probe, and the configuration has no probe",
    )
    if wanted.verdict is Acceptance.REFUSED:
        raise RefusedError(f"calibration {number} was refused when it was made: {' '.join(wanted.findings)}")
    return wanted


def _cautions(plan: CalibrationPlan, stored: Calibration, *, at_us: int, clock: LocalTime) -> Iterator[str]:
    """Yield what speaks against putting a stored calibration in force."""
    from logger.report.words import age

    old_s = (at_us - stored.at_us) / 1e6
    if old_s > plan.probe.calibrate_every_d * DAY_S:
        overdue = "so the alarm calibration-overdue will stand"
        yield f"calibration {stored.id} is {age(old_s)} old, {overdue}: calibrate anew"
    if is_replaced(stored.electrode, plan.probe.electrode):
        yield (
            f"calibration {stored.id} is of electrode {stored.electrode}, and the configuration has"
            f" {plan.probe.electrode} in {stored.probe}: calibrate anew, unless the configuration is wrong"
        )
    checks = (check for check in plan.checks if check.calibration == stored.id)
    last = max(checks, key=lambda check: (check.at_us, abs(check.deviation_ph)), default=None)
    if last is not None and not last.passed:
        yield (
            f"calibration {stored.id} was found off by {last.deviation_ph:+.2f} on {clock.shown(last.at_us)}, and its"
            " uncertainty does not include that: check it in a buffer before you rely on it"
        )


def _print_and_exit(config: Config, stored: Calibration, pending: list[PendingRequest], *, as_json: bool) -> None:
    """Print a calibration and what became of it; exit 1 if it does not come into force."""
    if as_json:
        content = {"simulated": config.simulated, "calibration": _as_json(config, stored)}
        print_json({**content, "asked": pending[0] if pending else None})
    else:
        print_simulated(simulated=config.simulated)
        _print(config, stored)
        print_outcomes(pending)
    if not pending:
        click.echo(f"Calibration {stored.id} is refused: it is kept for the record, never applied.", err=True)
        sys.exit(1)
    exit_refused(pending)


def _point_in_mv(probe: ProbeConfig, point: CalibrationPoint) -> CalibrationPoint:
    """Return a point in mV; of a probe that reports its own pH that is what was written in its place."""
    if not probe.own_ph:
        return point
    mv = equivalent_mv(point.potential_mv, temperature_c=point.temperature_c, assumed_c=None)
    return replace(point, potential_mv=mv)


def _points_input(
    config: Config, file: Path | None, points: tuple[CalibrationPoint, ...], *, now_us: int, made_at_us: int | None
) -> PointInput:
    """Return the points with the time they were taken; refuse what cannot be of this configuration."""
    if (file is None) == (not points):
        raise click.UsageError("give either --from FILE or --point, once for each buffer")
    given = (
        PointInput(points=points, made_at_us=now_us, simulated=config.simulated)
        if file is None
        else _read(config, file)
    )
    given = replace(given, made_at_us=given.made_at_us if made_at_us is None else made_at_us)
    if given.made_at_us is None:
        raise RefusedError(f"{file}: made_at: it is missing; write made_at = 2026-11-24T08:00:00Z, or give --made-at")
    if given.simulated and not config.simulated:
        raise RefusedError(f"{file}: these are a simulator's figures, the configuration watches real vats")
    if config.simulated and not given.simulated:
        click.echo("Note: the file does not say simulated = true; all that this store holds is simulated.", err=True)
    if not config.simulated and given.made_at_us > now_us + AHEAD_US:
        raise RefusedError("the calibration would be made in the future: correct made_at, or this machine's clock")
    return given


def _read(config: Config, file: Path) -> PointInput:
    from logger.measure.buffers import shelf

    return read(file, shelf(config.buffers))


def _expanded_u(config: Config, one: Calibration) -> float:
    """Return U (k = 2) of one reading at `SHOWN_PH`, fresh from the buffers."""
    from logger.measure.estimate import start
    from logger.measure.uncertainty import standard_uncertainty

    errors = config.probe(one.probe).errors
    u = standard_uncertainty(
        one,
        errors,
        start(one, errors),
        days=np.array([0.0]),
        ph=np.array([SHOWN_PH]),
        temperature_c=np.array([SHOWN_C]),
    )
    return 2 * float(u[0])


def _as_json(config: Config, one: Calibration) -> dict[str, Any]:
    from logger.mqtt.payloads import rfc3339

    reading = {"ph": SHOWN_PH, "temperature_c": SHOWN_C, "expanded_uncertainty_ph": round(_expanded_u(config, one), 4)}
    return {
        **msgspec.to_builtins(one),
        "made_at": rfc3339(one.at_us),
        "fresh_reading": {**reading, "coverage_factor": 2},
    }


def _print(config: Config, one: Calibration) -> None:
    from logger.report.page import row

    by = f" by {one.by}" if one.by else ""
    click.echo(f"Calibration {one.id} of {one.probe}, made {LocalTime.of(config.people).shown(one.at_us)}{by}")
    for label, text in _facts(one, _expanded_u(config, one)).items():
        click.echo("\n".join(row(label, text)))
    for number, text in enumerate([one.verdict.capitalize(), *one.findings]):
        click.echo("\n".join(row("" if number else "Verdict", text)))


def _facts(one: Calibration, expanded_u: float) -> dict[str, str]:
    beyond = "" if one.low_ph <= SHOWN_PH <= one.high_ph else " (beyond them)"
    fresh = f"one reading at pH {SHOWN_PH}, {SHOWN_C:g} C{beyond} has U = {expanded_u:.2f} (k = 2) when fresh; "
    return {
        "Slope": f"{one.slope:.1%} of the Nernst slope",
        "Offset": f"{one.offset_mv:+.1f} mV at pH 7",
        "Residual": f"{one.residual_mv:.1f} mV, the largest distance of a point from the line",
        "Buffers": f"pH {one.low_ph:.4g} to {one.high_ph:.4g}; beyond them the line is extrapolated",
        "Uncertainty": fresh + "it grows with the days",
    }


@calibration.command("list")
@click.argument("probe")
@config_option
@json_option
@utc_option
@sentences
def list_(probe: str, config_path: Path, *, as_json: bool, utc: bool) -> None:
    """List the calibrations of PROBE, oldest first.

    It says which is in force and which never was.
    """
    config = load_config(config_path)
    with reading_store(config) as store:
        calibrations = queries.calibrations(store, probe)
        in_force = {
            carry.electrode.calibration.id for carry in queries.watches(store).values() if carry.electrode.calibration
        }
    if not calibrations:
        check_probe(config, probe)
    if as_json:
        content = [
            {
                **_stored_as_json(one.calibration),
                "accepted": one.accepted,
                "in_force": one.calibration.id in in_force,
                "never_used": _status(one, in_force) == _UNUSED,
            }
            for one in calibrations
        ]
        print_json({"simulated": config.simulated, "calibrations": content})
        return
    print_simulated(simulated=config.simulated)
    if not calibrations:
        click.echo(f"No calibration of {probe} is stored: `vatvigil calibration add --help` says how to add one.")
        return
    for one in calibrations:
        click.echo(_line(one, _status(one, in_force), LocalTime.of(config.people, utc=utc)))
    if any(_status(one, in_force) == _UNUSED for one in calibrations):
        click.echo("One that was never used: `vatvigil calibration use N` puts it in force.")


def _stored_as_json(one: Calibration) -> dict[str, Any]:
    from logger.mqtt.payloads import rfc3339

    return {**msgspec.to_builtins(one), "made_at": rfc3339(one.at_us)}


def _status(stored: StoredCalibration, in_force: set[int]) -> str:
    """Say what became of a calibration; empty: it was in force, or comes into force with the daemon's next record."""
    if stored.calibration.id in in_force:
        return "IN FORCE"
    if stored.calibration.verdict is Acceptance.REFUSED:
        return "refused"
    return "" if stored.accepted else _UNUSED


def _line(stored: StoredCalibration, status: str, clock: LocalTime) -> str:
    one = stored.calibration
    mark = status and f" {status}:"
    by = f", by {one.by}" if one.by else ""
    text = (
        f"{one.id:>3}  {clock.shown(one.at_us)}{mark} slope {one.slope:.1%}, offset {one.offset_mv:+.1f} mV, "
        f"residual {one.residual_mv:.1f} mV, pH {one.low_ph:.4g} to {one.high_ph:.4g}{by}"
    )
    return fill(text, screen_width(), subsequent_indent="     ")
