"""Show what the uncertainty of a reading is made of.

Law: reads only; the sum is the u of the record.
"""

from pathlib import Path
from textwrap import fill

import click
import msgspec
import numpy as np

from logger.cli._common import Between, config_option, json_option, load_config, print_json, screen_width, sentences
from logger.cli._requests import examples, now_us, print_simulated, reading_store, vat_of
from logger.errors import RefusedError
from logger.measure.budget import Result, Term, budget, combined
from logger.model import Calibration, Estimate, Measurements

REMEDIES = {
    "liquid junction in brine": "five independent spot checks that agree, then lower junction_ph",
    "drift": "a check buffer (`vatvigil verify`), or a calibration",
    "wander": "a check buffer, and another instrument in the vat (`vatvigil verify`)",
    "error found by checks": "a calibration",
    "calibration": "another check, or a calibration",
    "buffer values": "fresh buffers with a smaller stated uncertainty",
    "potentials in the buffers": "longer waiting in the buffers; a quieter electrode",
    "slope": "a second buffer at the next calibration",
    "temperature": "a checked thermometer (temperature_c of the probe's errors)",
    "repeatability": "a median of more readings",
    "resolution": "a median of more readings",
}
"""What makes each part smaller."""
SHOWN_C = 25.0
INDENT = 17
LEAST_SHARE = 0.01
"""Below this share no remedy is named."""


@click.command(
    epilog=examples("vatvigil uncertainty marrow", "vatvigil uncertainty marrow --at-ph 4.6"),
)
@click.argument("vat")
@click.option("--at-ph", type=Between(0, 14), metavar="PH", help="Of a reading of this pH [default: the newest].")
@config_option
@json_option
@sentences
def uncertainty(vat: str, at_ph: float | None, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """Show the uncertainty budget of one reading of VAT now: every part, the largest first, and what makes it smaller.

    Standard uncertainties in pH (k = 1); U is twice their combination (about 95 %).
    """
    from logger.guided.storing import in_force
    from logger.store import queries

    config = load_config(config_path)
    target = vat_of(config, vat)
    with reading_store(config) as store:
        standing = in_force(store, vat=target.id, probe=target.probe)
        newest = queries.latest(store, target.probe)
    calibration, known = standing.calibration, standing.estimate
    if calibration is None:
        raise RefusedError(
            f"no calibration of {target.probe} is in force: no pH is claimed, so there is no uncertainty to show"
        )
    result = _result(newest, at_ph, at_us=now_us(config))
    terms = budget(calibration, config.probe(target.probe).errors, result, known=known)
    if as_json:
        print_json({"simulated": config.simulated, "vat": target.id, **_as_json(calibration, known, result, terms)})
        return
    print_simulated(simulated=config.simulated)
    _print(target.name, result, terms)


def _result(newest: Measurements, at_ph: float | None, *, at_us: int) -> Result:
    """Return the reading whose budget is wanted: the newest one, or one of that pH in the vat now."""
    is_read = len(newest) > 0
    ph = float(newest.ph[-1]) if is_read and at_ph is None else at_ph
    if ph is None or np.isnan(ph):
        raise RefusedError("the newest record claims no pH: see `vatvigil status`, or ask with --at-ph 4.6")
    celsius = float(newest.temperature_c[-1]) if is_read else SHOWN_C
    when = int(newest.at_us[-1]) if is_read and at_ph is None else at_us
    return Result(ph=ph, temperature_c=SHOWN_C if np.isnan(celsius) else celsius, at_us=when)


def _print(name: str, result: Result, terms: tuple[Term, ...]) -> None:
    u = combined(terms)
    click.echo(f"{name}: one reading at pH {result.ph:.2f}, {result.temperature_c:.1f} C\n")
    click.echo("  u (pH)  share  part: where its figure comes from; how to reduce it")
    for term in terms:
        share = term.variance / (u * u)
        click.echo(_row(f"  {term.u_ph:6.3f}  {share:5.0%}  ", f"{term.name}: {term.basis}"))
        if share >= LEAST_SHARE and term.name in REMEDIES:
            click.echo(_row(" " * INDENT, f"to reduce it: {REMEDIES[term.name]}"))
    click.echo(f"\nCombined: u = {u:.3f} (k = 1); U = {2 * u:.2f} (k = 2, about 95 %).")


def _row(head: str, text: str) -> str:
    return fill(text, screen_width(), initial_indent=head, subsequent_indent=" " * (INDENT + 2))


def _as_json(
    calibration: Calibration, known: Estimate | None, result: Result, terms: tuple[Term, ...]
) -> dict[str, object]:
    from logger.mqtt.payloads import rfc3339

    u = combined(terms)
    return {
        "calibration": calibration.id,
        "checked": known is not None and known.at_us > calibration.at_us,
        "at": rfc3339(result.at_us),
        "ph": result.ph,
        "temperature_c": result.temperature_c,
        "terms": [{**msgspec.to_builtins(t), "u_ph": t.u_ph, "smaller_by": REMEDIES.get(t.name, "")} for t in terms],
        "u_ph": u,
        "expanded_uncertainty_ph": 2 * u,
        "coverage_factor": 2,
    }
