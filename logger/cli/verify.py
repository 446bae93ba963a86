"""Check a probe in a buffer, or beside another instrument.

Law: a check never moves the probe's zero. It is stored, and what it tells of the drift goes into the uncertainty
of the readings.
"""

import sys
from pathlib import Path
from typing import Any

import click
import msgspec

from logger.cli._common import ATTENTION, Between, config_option, json_option, load_config, print_json, sentences
from logger.cli._guided import GuidedSession, buffers, open_session, run_session, time_out_option, wait_for_answer
from logger.cli._requests import (
    PendingRequest,
    await_answers,
    by_option,
    examples,
    print_outcomes,
    print_simulated,
    wait_option,
)
from logger.errors import RefusedError
from logger.guided import storing, verifying, words
from logger.guided.immersion import BuffersAtHand
from logger.guided.screen import folded
from logger.guided.state_machine import Conclusion, Task
from logger.guided.verifying import CheckPlan
from logger.measure.comparison import Spot
from logger.model import Check, CheckKind
from logger.model.figures import TOLERANCE_PH
from logger.store import history, queries
from logger.store.history import RecordSpan

MOST_ROWS = 1000
"""Ten minutes of a probe that is read every second hold no more."""


@click.command(
    epilog=examples(
        "vatvigil verify marrow-probe --buffer gbt-phthalate",
        'vatvigil verify marrow-probe --spot 4.71 --u 0.05 --instrument "hand meter 2"',
        'vatvigil verify marrow-probe --instrument "hand meter 2" --in-buffer 4.01 --reads 4.03',
    ),
)
@click.argument("probe")
@click.option("--buffer", "buffer_id", metavar="ID", help="The probe is put into this check buffer, step by step.")
@click.option("--spot", "spot_ph", type=float, metavar="PH", help="Another instrument reads this pH in the vat now.")
@click.option(
    "--u", "u_ph", type=float, metavar="PH", help="Standard uncertainty of --spot: a meter 0.05, a strip 0.2."
)
@click.option(
    "--instrument", default="", metavar="TEXT", help="What gave --spot [default: the one used last in this batch]."
)
@click.option(
    "--in-buffer", "in_buffer_ph", type=Between(0, 14), metavar="PH", help="--instrument was dipped into this buffer..."
)
@click.option("--reads", "reads_ph", type=Between(0, 14), metavar="PH", help="... and read this pH there.")
@click.option(
    "--tolerance",
    "tolerance_ph",
    type=Between(TOLERANCE_PH.low, TOLERANCE_PH.high),
    metavar="PH",
    help="Passes within so much [default: the probe's check_tolerance_ph, with --spot its judge_tolerance_ph].",
)
@time_out_option
@by_option
@wait_option
@config_option
@json_option
@sentences
def verify(  # noqa: PLR0913, PLR0917 - one parameter for each option
    probe: str,
    buffer_id: str | None,
    spot_ph: float | None,
    u_ph: float | None,
    instrument: str,
    in_buffer_ph: float | None,
    reads_ph: float | None,
    tolerance_ph: float | None,
    time_out_s: float,
    by: str,
    wait_s: float | None,
    config_path: Path,
    as_json: bool,  # noqa: FBT001 - click's flag
) -> None:
    """Check PROBE in a check buffer (--buffer), or by another instrument's reading of the vat (--spot).

    That other instrument can be checked in a buffer, too (--in-buffer, --reads).

    In a buffer it goes as with `calibrate`, for one glass. A spot measurement is compared with the median of what the
    probe read in the vat within the last ten minutes; give the uncertainty of the other instrument (--u).

    Exit code 0: passed; 3: failed; 1: there is no result.
    """
    if sum(way is not None for way in (buffer_id, spot_ph, in_buffer_ph)) != 1:
        raise click.UsageError("give one of --buffer ID, --spot PH and --in-buffer PH")
    if (in_buffer_ph is None) != (reads_ph is None) or (in_buffer_ph is not None and not instrument):
        raise click.UsageError("--in-buffer, --reads and --instrument go together: which instrument read what?")
    if (spot_ph is None) != (u_ph is None):
        raise click.UsageError("--spot and --u go together: how uncertain is the other instrument?")
    config = load_config(config_path)
    with open_session(config, probe, by=by) as session:
        plan = _plan(session, tolerance_ph, is_spot=buffer_id is None)
        if not as_json:
            print_simulated(simulated=config.simulated)
        if buffer_id is not None:
            check = _in_buffer(session, plan, buffer_id, time_out_s, as_json=as_json)
            if check is not None and as_json:
                print_json({"simulated": config.simulated, **_as_json(plan, check)})
        else:
            if in_buffer_ph is not None:
                check, number = _instrument_check(session, plan, instrument, in_buffer_ph, reads_ph or 0.0)
            else:
                spot = Spot(ph=spot_ph or 0.0, u_ph=u_ph or 0.0, instrument=instrument or _used_last(plan))
                check, number = _spot_check(session, plan, spot)
            pending = await_answers(config, session.store, [number], probe=probe, wait_s=wait_s)
            _print_result(plan, check, pending, as_json=as_json)
    sys.exit(1 if check is None else 0 if check.passed else ATTENTION)


def _plan(session: GuidedSession, tolerance_ph: float | None, *, is_spot: bool) -> CheckPlan:
    if session.in_force is None:
        raise RefusedError(f"no calibration of {session.probe.id} is in force: there is nothing to check; calibrate it")
    usual = session.probe.judge_tolerance_ph if is_spot else session.probe.check_tolerance_ph
    return CheckPlan(
        probe=session.probe,
        vat=session.vat.id,
        by=session.by,
        tolerance_ph=usual if tolerance_ph is None else tolerance_ph,
        in_force=session.in_force,
        standing=session.standing,
    )


def _in_buffer(
    session: GuidedSession, plan: CheckPlan, buffer_id: str, time_out_s: float, *, as_json: bool
) -> Check | None:
    """Let a person put the probe into a check buffer; return the check, None if there was none."""
    stored: list[Check] = []

    def keep(conclusion: Conclusion, _is_wanted: bool) -> tuple[str, ...]:  # noqa: FBT001 - the type is Keep's
        check, number = storing.keep_check(
            session.store, conclusion.checks[0], at_us=session.clock.read().at_us, by=session.by
        )
        stored.append(check)
        return (_stored_text(session, check, number),)

    task = Task(
        vat=session.vat.id,
        table=BuffersAtHand(buffers=buffers(session.config, buffer_id), in_force=session.in_force),
        wanted=1,
        conclude=lambda taken: verifying.conclusion(plan, taken),
        time_out_s=time_out_s,
        spread_c=session.probe.calibration.temperature_spread_warn_c,
        silent_s=session.silent_s,
        opening=(
            f"Checking {session.probe.id} of vat {session.vat.id} against calibration {plan.in_force.id}.",
            words.WARM,
        ),
    )
    run_session(session, task, keep, talk_to_stderr=as_json)
    return stored[0] if stored else None


def _spot_check(session: GuidedSession, plan: CheckPlan, spot: Spot) -> tuple[Check, int]:
    """Store what another instrument reads in the vat beside what the probe read there; return the command's number."""
    end = queries.last_position(session.store, session.probe.id)
    last = 0 if end is None else end.seq
    span = RecordSpan(vat=session.vat.id, probe=session.probe.id, first=max(1, last - MOST_ROWS), last=last)
    at_us = session.clock.read().at_us
    reading = verifying.present(plan, list(history.measurements(session.store, span)), at_us=at_us)
    return storing.keep_check(session.store, verifying.spot_check(plan, spot, reading), at_us=at_us, by=session.by)


def _instrument_check(
    session: GuidedSession, plan: CheckPlan, instrument: str, buffer_ph: float, read_ph: float
) -> tuple[Check, int]:
    """Store what another instrument read in a buffer; return the check and the command's number."""
    at_us = session.clock.read().at_us
    check = verifying.instrument_check(plan, instrument=instrument, buffer_ph=buffer_ph, read_ph=read_ph, at_us=at_us)
    return storing.keep_check(session.store, check, at_us=at_us, by=session.by)


def _used_last(plan: CheckPlan) -> str:
    """Return the instrument that measured last in this batch; empty: none was named."""
    known = plan.standing.estimate
    return known.instruments[-1].name if known is not None and known.instruments else ""


def _print_result(plan: CheckPlan, check: Check, pending: list[PendingRequest], *, as_json: bool) -> None:
    if as_json:
        print_json({"simulated": pending[0].simulated, **_as_json(plan, check), "asked": pending[0]})
    else:
        click.echo("\n".join(folded(verifying.lines(plan, check))))
        print_outcomes(pending)


def _stored_text(session: GuidedSession, check: Check, number: int) -> str:
    answer = wait_for_answer(session, [number])
    when = "the daemon takes note of it with its next reading" if answer is None else answer.text.rstrip(".")
    return f"Check {check.id} is stored; {when}."


def _as_json(plan: CheckPlan, check: Check) -> dict[str, Any]:
    from logger.mqtt.payloads import rfc3339

    content = {**msgspec.to_builtins(check), "at": rfc3339(check.at_us)}
    if check.kind is CheckKind.INSTRUMENT:
        return {"check": content}
    return {"check": content, "doubt": msgspec.to_builtins(verifying.uncertainty_change(plan, check))}
