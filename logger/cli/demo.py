"""Watch a simulated night in a minute; needs no configuration."""

import shutil
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import click

from logger import private_file
from logger.cli._common import CAUTION, SIMULATED, sentences
from logger.demo import night, parts
from logger.errors import VatvigilError

RUN = "demo-night"
SEED = "1"
HEAD_START_S = 1.5
"""Between now and 18:00, beside the time that the calibration took: long enough for every part to start."""


@click.command()
@click.option("--speed", default=840.0, show_default=True, help="How much faster than real time the night passes.")
@click.option(
    "--dir",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("vatvigil-demo"),
    show_default=True,
    help="Where the night is kept, each in a folder of its own.",
)
@click.option("--embedded", is_flag=True, help="Use the embedded broker even if mosquitto is installed.")
@sentences
def demo(speed: float, folder: Path, *, embedded: bool) -> None:
    """Watch a simulated vat through a night, in about a minute.

    Starts a simulated probe on a serial port (a pseudo-terminal), a broker, the daemon, and a listener at the broker
    that shows what a home-automation hub would receive. Needs no root, no broker and no configuration.
    """
    click.echo(SIMULATED)
    folder = _fresh(folder)
    config, link = folder / "vatvigil.toml", (folder / "probe").absolute()
    with ExitStack() as running:
        name, broker = running.enter_context(parts.broker(folder, embedded=embedded))
        _introduce(folder, port=link, broker=f"{parts.LOOPBACK}:{broker} ({name})", speed=speed)
        _configure(config, link=link, broker=broker, speed=speed, begins_s=time.monotonic())
        listener = night.Listener(broker)
        running.callback(listener.close)
        started = time.monotonic()
        _calibrate(folder, config)
        begins_s = time.monotonic() + HEAD_START_S + time.monotonic() - started
        _configure(config, link=link, broker=broker, speed=speed, begins_s=begins_s)
        options = ["--seed", SEED, "--speed", str(speed), "--epoch-monotonic", str(begins_s), "--link", str(link)]
        running.enter_context(parts.simulator(RUN, options, folder / "simulator.log"))
        command = [sys.executable, "-P", "-m", "logger", "run", "-c", str(config)]
        daemon = running.enter_context(parts.process(command, folder / "daemon.log"))
        _listen(listener, daemon, folder, begins_s=begins_s, speed=speed)
    _conclude(listener.tally, folder, config)


def _configure(config: Path, *, link: Path, broker: int, speed: float, begins_s: float) -> None:
    text = night.CONFIG.format(speed=speed, begins_s=begins_s, broker=broker, port=link)
    with private_file.opened(config, "wb") as file:
        file.write(text.encode())


def _fresh(folder: Path) -> Path:
    """Make a folder for this night; earlier ones stay."""
    number = 1
    while (folder / f"night-{number}").exists():
        number += 1
    new = folder / f"night-{number}"
    new.mkdir(parents=True)
    return new


def _introduce(folder: Path, *, port: Path, broker: str, speed: float) -> None:
    click.echo()
    for line in night.STORY:
        click.echo(line)
    click.echo()
    click.echo(f"  serial port  {port}")
    click.echo(f"               (simulated probe; the night passes {speed:g} times as fast; all times are UTC)")
    click.echo(f"  broker       {broker}")
    click.echo(f"  store, logs  {folder}/")
    click.echo()


def _calibrate(folder: Path, config: Path) -> None:
    """Dip the simulated electrode in three buffers and put the calibration into force, as a person would."""
    points = folder / "points.toml"
    _run(parts.simulator_command("dip", RUN, "--seed", SEED, "--out", str(points)))
    logger = [sys.executable, "-P", "-m", "logger"]
    add = ["calibration", "add", night.PROBE, "--from", str(points), "-c", str(config), "--wait", "0"]
    _run([*logger, *add])


def _run(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - our own modules
    if done.returncode:
        raise VatvigilError(f"`{' '.join(command)}` failed: {done.stderr.strip() or done.stdout.strip()}")


def _listen(
    listener: night.Listener, daemon: "subprocess.Popen[str]", folder: Path, *, begins_s: float, speed: float
) -> None:
    while (now_h := (time.monotonic() - begins_s) * speed / 3600) < night.HOURS:
        listener.narrate(now_h, timeout_s=0.05)
        if daemon.poll() is not None:
            raise VatvigilError(f"the daemon ended early, see {folder / 'daemon.log'}")


def _conclude(tally: night.Tally, folder: Path, config: Path) -> None:
    raised = ", ".join(event["alarm"] for event in tally.raised()) or "none"
    click.echo()
    click.echo("08:00. The night is over. What the listener heard over MQTT:")
    click.echo(f"  {tally.measurements} measurements, {len(tally.events)} events; alarms: {raised}")
    click.echo(f"What was stored is in {folder / 'night.db'}. Look at it with")
    program = "vatvigil" if shutil.which("vatvigil") else sys.argv[0]
    click.echo(f"  {program} night --evening {night.EVENING} -c {config}")
    click.echo(f"  {program} alarms journal -c {config}")
    click.echo(f"  {program} export marrow --out night.csv \\")
    click.echo(f"    -c {config}")
    click.echo()
    click.echo(SIMULATED)
    click.echo(click.wrap_text(CAUTION, width=79))
