"""Write a commented configuration after a few questions.

Law: what is written loads; what would not load is never written; no file is overwritten without --force. Each answer is
checked when it is given: ports are opened and listened to, the broker is tried. With --defaults nothing is asked and
nothing is tried, so that a script gets the same file everywhere (give it --zone, too).
"""

import logging
import shlex
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from logger import private_file
from logger.cli._common import CAUTION, command_line, complain, folded, sentences
from logger.cli._init_file import probe_of, written
from logger.cli._init_questions import Asked, ask, python
from logger.cli._interview import Interview
from logger.errors import RefusedError
from logger.settings.profiles import Profile

OUT, SIMULATED_OUT = Path("vatvigil.toml"), Path("simulated.toml")


@click.command()
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    help=f"File to write [default: {OUT}, or {SIMULATED_OUT} for a simulated probe].",
)
@click.option("--force", is_flag=True, help="Overwrite a file that is there.")
@click.option("--defaults", "takes_defaults", is_flag=True, help="Ask nothing: options not given take their defaults.")
@click.option("--simulated/--real", default=None, help="Whether the probe is the bundled simulator.")
@click.option("--profile", type=click.Choice([each.value for each in Profile]), help="Kind of ferment: its alarms.")
@click.option("--name", help="Name of the vat for people; its id is made of it.")
@click.option("--vat", help="Id of the vat: a-z, 0-9 and -.")
@click.option("--port", help="Serial port of the probe: a path or socket://HOST:PORT.")
@click.option("--target-ph", metavar="PH", help="pH that the vat is to reach.")
@click.option("--ph-low", metavar="PH", help="Alarm at and below this pH.")
@click.option("--temperature-high", metavar="C", help="Wake somebody at and above this temperature.")
@click.option("--temperature-low", metavar="C", help="Wake somebody at and below this temperature.")
@click.option("--zone", help="Time zone of the people [default: the machine's].")
@click.option("--quiet", metavar="FROM-TO", help="Quiet hours, such as 22:00-07:00; - for none.")
@click.option("--broker", metavar="HOST[:PORT]", help="The MQTT broker; - for none.")
@click.option("--broker-port", type=click.IntRange(1, 65535), help="Port of the MQTT broker.")
@click.option("--broker-user", metavar="USER", help="User at the broker; - for none.")
@click.option("--broker-password-file", metavar="FILE", help="A file of its own (mode 600) with the password in it.")
@click.option("--push-urls-file", metavar="FILE", help="A file of its own (mode 600) with addresses of push services.")
@click.option("--store", help="File of the log.")
@click.option("--backup-dir", metavar="FOLDER", help="Where a copy of the log is put every day.")
@sentences
def init(out: Path | None, *, force: bool, takes_defaults: bool, **given: Any) -> None:  # noqa: ANN401 - click's options
    """Write a commented configuration after a few questions.

    Each answer is checked when it is given: the port is opened and listened to, the broker is tried. Whoever is
    interrupted goes on with the next `vatvigil init`: the answers are kept.

    Exit codes: 0 written, 1 the file is there already or cannot be written, 2 an answer cannot be used.
    """
    logging.getLogger("logger").addHandler(logging.NullHandler())  # what is tried is told in sentences
    near = OUT if out is None else out
    interview = Interview(given=given, path=near.with_name(f"{near.name}.answers"), asks=not takes_defaults)
    try:
        asked = ask(interview, lambda simulated: _place(out, simulated=simulated, force=force))
    except (click.Abort, KeyboardInterrupt):
        click.echo()
        complain(_stopped(interview))
        sys.exit(1)
    _write(asked, force=force)
    interview.forget()
    click.echo(f"\n{asked.out} written.\n{folded(CAUTION)}\n\nNext:")
    click.echo("\n".join(next_steps(asked)))


def _stopped(interview: Interview) -> str:
    if not interview.kept:
        return "Stopped; nothing is written."
    return f"Stopped. Your answers are kept in {interview.path}: the next `vatvigil init` offers them again."


def _place(out: Path | None, *, simulated: bool, force: bool) -> Path:
    """Return the file to write. Raises RefusedError before anything is asked for nothing."""
    place = out or (SIMULATED_OUT if simulated else OUT)
    if place.exists() and not force:
        raise RefusedError(f"{place} is there already; choose another --out, or overwrite it with --force")
    if not place.parent.is_dir():
        raise RefusedError(f"{place} cannot be written (No such file or directory); choose another --out")
    return place


def _write(asked: Asked, *, force: bool) -> None:
    try:
        for name, secret in asked.secrets.items():
            with private_file.opened(asked.out.with_name(name), "wb" if force else "xb") as stream:
                stream.write(secret.encode())
        asked.out.write_text(written(asked.answers), encoding="utf-8")
    except OSError as error:
        raise RefusedError(f"{error.filename} cannot be written ({error.strerror}); choose another --out") from None


def next_steps(asked: Asked) -> Iterator[str]:
    """Yield the commands that come next, each with what it does."""
    answers, run = asked.answers, asked.simulated_run
    us, config = program(), f" -c {shlex.quote(str(asked.out))}" if asked.out != OUT else ""
    probe = probe_of(answers)
    if answers.simulated:
        simulator = f"{python()} -P -m simulator"
        serve = f"{simulator} serve {run} --link {shlex.quote(answers.probe.port)}"
        yield from _step("The probe, in a terminal of its own (leave it running):", serve)
        dip = f"{simulator} dip {run} --out dip.toml"
        add = f"{us} calibration add {probe} --from dip.toml --made-at yesterday{config}"
        yield from _step("Its calibration, as of yesterday:", dip, add)
    else:
        yield from _step("Calibrate: without a calibration no pH is claimed.", f"{us} calibrate {probe}{config}")
    yield from _step("Try everything:", f"{us} check{config}")
    yield from _step("Watch (under systemd: `vatvigil help service`):", f"{us} run{config}")
    yield from _step("When the batch starts, and whenever you like:", f"{us} mark {answers.vat} started{config}")
    yield command_line(f"{us} status{config}")


def _step(what: str, *commands: str) -> Iterator[str]:
    yield f"  {what}"
    yield from map(command_line, commands)


def program() -> str:
    """Return how this program is called here."""
    if shutil.which("vatvigil"):
        return "vatvigil"
    called = Path(sys.argv[0])
    return f"{python()} -m logger" if called.suffix == ".py" else shlex.quote(str(called))
