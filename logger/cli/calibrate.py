"""Calibrate a probe, step by step.

Law: nothing comes into force before the person has seen the verdict and says yes; then all of it is stored in one
transaction. What was accepted is stored without a yes, too, for `calibration use`. A refused calibration is kept for
the record and never comes into force.
"""

import shlex
import sys
from pathlib import Path

import click

from logger.cli._common import config_option, load_config, sentences
from logger.cli._guided import (
    GuidedSession,
    buffers,
    calibration_plan,
    is_store_missing,
    method_option,
    open_session,
    run_session,
    time_out_option,
    wait_for_answer,
)
from logger.cli._requests import by_option, examples, print_simulated, wait_option
from logger.cli.calibration import add
from logger.guided import calibrating, storing, words
from logger.guided.immersion import BuffersAtHand
from logger.guided.resume_file import ResumeFile
from logger.guided.state_machine import Conclusion, Task
from logger.measure.buffers import Buffer
from logger.measure.calibration import MOST_POINTS
from logger.model import Calibration, Method
from logger.structs import replace

BUFFERS = "gbt-phthalate,gbt-phosphate,gbt-borax"


@click.command(
    epilog=examples(
        "vatvigil calibrate marrow-probe",
        "vatvigil calibrate marrow-probe --buffers technical-4.00,technical-7.00 --by tova",
        "vatvigil calibrate marrow-probe --points dip.toml",
    ),
)
@click.argument("probe")
@click.option(
    "--buffers",
    "ids",
    default=BUFFERS,
    show_default=True,
    metavar="ID,ID,...",
    help="The buffers on the table, in any order: ids of built-in tables or of [buffer.ID] in the configuration.",
)
@method_option
@time_out_option
@click.option("--yes", "assume_yes", is_flag=True, help="Put it into force without asking, unless it is refused.")
@click.option(
    "--resume", is_flag=True, help="Go on with the points of a session that was cut off within the last hour."
)
@click.option(
    "--points",
    "file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Without questions: take the points from a TOML file, as `calibration add --from` does.",
)
@by_option
@wait_option
@config_option
@sentences
@click.pass_context
def calibrate(  # noqa: PLR0913, PLR0917 - one parameter for each option
    context: click.Context,
    probe: str,
    ids: str,
    method: str,
    time_out_s: float,
    assume_yes: bool,  # noqa: FBT001 - click's flag
    resume: bool,  # noqa: FBT001 - click's flag
    file: Path | None,
    by: str,
    wait_s: float | None,
    config_path: Path,
) -> None:
    """Calibrate PROBE in one to five buffers, step by step, with the readings on the screen.

    It works beside the running daemon, which then reads the probe every second and holds back the process alarms of
    its vat until you say that the probe is back; without a daemon it opens the port itself. Each buffer is recognised
    by its potential, or named by you, and is taken only when it is stable. What the calibration in force reads in the
    same buffers is kept (as found). Nothing comes into force before you say yes; without a yes the calibration is
    stored for `vatvigil calibration use`. Ctrl-C before the verdict leaves the calibration as it was; the alarms of the
    vat stay held back until you say that the probe is back (`vatvigil mark VAT probe-in`).

    Exit code 0: the new calibration is in force, or will be with the daemon's next reading; 1: it is not.
    """
    if file is not None:
        context.invoke(add, probe=probe, file=file, method=method, by=by, wait_s=wait_s, config_path=config_path)
        return
    config = load_config(config_path)
    table = buffers(config, ids)
    with open_session(config, probe, by=by, migrate=is_store_missing(config)) as session:
        resume_file = ResumeFile.beside(session.store.path, probe)
        before = resume_file.resumed(at_us=session.clock.read().at_us) if resume else ()
        task = replace(
            _task(session, table, Method(method), time_out_s=time_out_s),
            opening=tuple(_opening(session, resume_file, resume=resume)),
            assume_yes=assume_yes,
            before=before,
            remember=resume_file.keep,
            resume=_resume_command(probe, ids, config_path) if resume_file.path else "",
        )
        print_simulated(simulated=config.simulated)
        state = run_session(
            session,
            task,
            lambda conclusion, is_wanted: _store_decision(session, resume_file, conclusion, is_wanted=is_wanted),
        )
    sys.exit(0 if state.is_kept and state.is_wanted else 1)


def _task(session: GuidedSession, table: tuple[Buffer, ...], method: Method, *, time_out_s: float) -> Task:
    plan = calibration_plan(session, method=method, table=table)
    return Task(
        vat=session.vat.id,
        table=BuffersAtHand(buffers=table, in_force=session.in_force),
        wanted=min(MOST_POINTS, len(table)),
        conclude=lambda taken: calibrating.conclusion(plan, taken),
        time_out_s=time_out_s,
        spread_c=session.probe.calibration.temperature_spread_warn_c,
        silent_s=session.silent_s,
    )


def _resume_command(probe: str, ids: str, config_path: Path) -> str:
    """Return what goes on with the points of this session, with the buffers and the configuration of now."""
    given = [] if ids == BUFFERS else ["--buffers", ids]
    given += [] if config_path == Path("vatvigil.toml") else ["-c", str(config_path)]
    return shlex.join(["vatvigil", "calibrate", probe, "--resume", *given])


def _opening(session: GuidedSession, resume_file: ResumeFile, *, resume: bool) -> list[str]:
    from logger.report.words import age, counted

    now_us = session.clock.read().at_us
    lines = [f"Calibrating {session.probe.id} of vat {session.vat.id}."]
    if session.in_force is None:
        lines.append("No calibration is in force yet.")
    else:
        present = session.in_force
        line = f"slope {present.slope:.1%}, offset {present.offset_mv:+.1f} mV"
        lines.append(f"In force: calibration {present.id}, {age((now_us - present.at_us) / 1e6)} old, {line}.")
        lines.append(words.AS_FOUND)
    interrupted = resume_file.read(at_us=now_us)
    if interrupted and not resume:
        points = counted(len(interrupted), "point")
        lines.append(f"A session was cut off with {points} taken: to go on with them, press [q] and use --resume.")
    return [*lines, words.WARM]


def _store_decision(
    session: GuidedSession, resume_file: ResumeFile, conclusion: Conclusion, *, is_wanted: bool
) -> tuple[str, ...]:
    """Store what the person decided; return where it is."""
    calibration = conclusion.calibration
    if calibration is None:
        raise ValueError("a calibration is what this command keeps")
    at_us = session.clock.read().at_us
    stored = storing.keep_calibration(
        session.store, calibration, conclusion.checks, is_wanted=is_wanted, at_us=at_us, by=session.by
    )
    resume_file.drop()
    stored_calibration = stored.calibration or calibration
    if not is_wanted:
        stays = "" if session.in_force is None else f"; calibration {session.in_force.id} stays in force"
        kept = "kept for the record" if conclusion.is_refused else "stored"
        later = (
            ()
            if conclusion.is_refused
            else (f"To put it in force later: vatvigil calibration use {stored_calibration.id}",)
        )
        return (f"Calibration {stored_calibration.id} is {kept}, not in force{stays}.", *later)
    return (_outcome(session, stored_calibration, stored.commands),)


def _outcome(session: GuidedSession, calibration: Calibration, commands: tuple[int, ...]) -> str:
    answer = wait_for_answer(session, commands)
    if answer is None:
        when = "as soon as the daemon runs, before its next reading"
        return f"Calibration {calibration.id} is stored; it comes into force {when}."
    if not answer.applied:
        return f"Calibration {calibration.id} is stored, but the daemon refused it: {answer.text}."
    return f"Calibration {calibration.id} is in force from record {answer.seq} on."
