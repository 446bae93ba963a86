"""`vatvigil calibration`: put one in force, list them.

Law: a calibration is kept for ever, whether it comes into force or not; it comes into force through the daemon, before
a record whose number is kept too. The calibration and the command for it are stored in one transaction.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import msgspec
import numpy as np

from logger.cli.asking import (
    BUSY_S,
    Asked,
    await_answers,
    by_option,
    check_probe,
    examples,
    exit_refused,
    now_us,
    reading_store,
    say,
    say_simulated,
    wait_option,
)
from logger.cli.common import config_option, json_option, load_config, print_json, sentences
from logger.cli.moments import moment_option
from logger.cli.points import Dip, point_option, read
from logger.config import Config
from logger.errors import RefusedError
from logger.model import Calibration, CalibrationPoint, Command, CommandKind
from logger.store import Store
from logger.store.queries import StoredCalibration

SHOWN_PH, SHOWN_C = 4.6, 25.0
"""Where the doubt of a reading is told: at the limit that most ferments must pass."""
AHEAD_US = 60_000_000
"""So much may the clock of whoever calibrated be ahead of ours. [CP]"""


@click.group(
    short_help="put a calibration in force, list them",
    epilog=examples(
        "vatvigil calibration add marrow-probe --point 6.86:6.1:25 --point 4.005:174.2:25",
        "vatvigil calibration add marrow-probe --from dip.toml",
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
@point_option("--point", "points", help="pH, mV and Celsius in one buffer; give 2 or 3.")
@moment_option("--made-at", help="When the probe stood in the buffers [default: the file's, or now].")
@by_option
@wait_option
@config_option
@json_option
@sentences
def add(
    probe: str,
    file: Path | None,
    points: tuple[CalibrationPoint, ...],
    made_at: int | None,
    by: str,
    wait_s: float | None,
    config_path: Path,
    as_json: bool,  # noqa: FBT001 - click's flag
) -> None:
    """Fit the line through two or three buffers and put it in force for PROBE.

    Give the pH that the buffer has at the temperature it had, from the buffer's own table. The file holds `made_at`
    (a time with its offset), `by` (may be left out) and, for each buffer, a table [[point]] with buffer_ph,
    potential_mv and temperature_c. A store that does not exist yet is made.
    """
    from logger.measure.calibration import fit

    config = load_config(config_path)
    check_probe(config, probe)
    dip = _dip(config, file, points, now_us=now_us(config), made_at_us=made_at)
    made = fit(dip.points, probe=probe, at_us=dip.made_at_us or 0, by=dip.by or by)
    made, asked = _store(config, made, by=by, wait_s=wait_s)
    if as_json:
        print_json({"simulated": config.simulated, "calibration": _told(config, made), "asked": asked})
    else:
        say_simulated(simulated=config.simulated)
        _print(config, made)
        say([asked])
    exit_refused([asked])


def _dip(
    config: Config, file: Path | None, points: tuple[CalibrationPoint, ...], *, now_us: int, made_at_us: int | None
) -> Dip:
    """Return the points with the time they were taken; refuse what cannot be of this configuration."""
    if (file is None) == (not points):
        raise click.UsageError("give either --from FILE or --point twice or three times")
    dip = Dip(points=points, made_at_us=now_us, simulated=config.simulated) if file is None else read(file)
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


def _store(config: Config, made: Calibration, *, by: str, wait_s: float | None) -> tuple[Calibration, Asked]:
    """Store a calibration and the command that puts it in force; return it numbered, and what became of the command."""
    is_missing = _is_missing(config)
    store = Store.open(config.store_url, simulated=config.simulated, migrate=is_missing, busy_s=BUSY_S)
    with store:
        with store.begin() as work:
            made = work.add_calibration(made)
            command = Command(
                id=0,
                at_us=now_us(config),
                kind=CommandKind.CALIBRATE,
                vat="",
                probe=made.probe,
                calibration=made,
                by=by,
            )
            number = work.add_command(command)
            work.commit()
        (asked,) = await_answers(config, store, [number], probe=made.probe, wait_s=0.0 if is_missing else wait_s)
    return made, asked


def _is_missing(config: Config) -> bool:
    """Tell whether the store is a file that does not exist yet: a first calibration may come before the first run."""
    from logger.store.engine import parse, sqlite_path

    path = sqlite_path(parse(config.store_url))
    return path is not None and not path.exists()


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


def _facts(made: Calibration, expanded_u: float) -> dict[str, str]:
    beyond = "" if made.low_ph <= SHOWN_PH <= made.high_ph else ", which lies beyond them"
    doubt = f"one reading at pH {SHOWN_PH}, {SHOWN_C:g} C{beyond} has U = {expanded_u:.2f} (k = 2) when fresh; "
    return {
        "Slope": f"{made.slope:.1%} of the Nernst slope",
        "Offset": f"{made.offset_mv:+.1f} mV at pH 7",
        "Residual": f"{made.residual_mv:.1f} mV, the largest distance of a point from the line",
        "Buffers": f"pH {made.low_ph:g} to {made.high_ph:g}; beyond them the line is extrapolated",
        "Doubt": doubt + "it grows with the days",
    }


@calibration.command("list")
@click.argument("probe")
@config_option
@json_option
@sentences
def list_(probe: str, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """List the calibrations of PROBE, oldest first."""
    from logger.store import queries

    config = load_config(config_path)
    with reading_store(config) as store:
        found = queries.calibrations(store, probe)
        in_force = {carry.calibration.id for carry in queries.watches(store).values() if carry.calibration}
    if not found:
        check_probe(config, probe)
    if as_json:
        told = [
            {**_told_stored(one.calibration), "accepted": one.accepted, "in_force": one.calibration.id in in_force}
            for one in found
        ]
        print_json({"simulated": config.simulated, "calibrations": told})
        return
    say_simulated(simulated=config.simulated)
    if not found:
        click.echo(f"No calibration of {probe} is stored: `vatvigil calibration add --help` says how to add one.")
        return
    for one in found:
        click.echo(_line(one, in_force=one.calibration.id in in_force))


def _told_stored(made: Calibration) -> dict[str, Any]:
    from logger.mqtt.payloads import rfc3339

    return {**msgspec.to_builtins(made), "made_at": rfc3339(made.at_us)}


def _line(stored: StoredCalibration, *, in_force: bool) -> str:
    from textwrap import fill

    from logger.report.page import WIDTH
    from logger.report.words import moment

    made = stored.calibration
    mark = " IN FORCE:" if in_force else "" if stored.accepted else " refused:"
    by = f", by {made.by}" if made.by else ""
    text = (
        f"{made.id:>3}  {moment(made.at_us)}{mark} slope {made.slope:.1%}, offset {made.offset_mv:+.1f} mV, "
        f"residual {made.residual_mv:.1f} mV, pH {made.low_ph:g} to {made.high_ph:g}{by}"
    )
    return fill(text, WIDTH, subsequent_indent="     ")
