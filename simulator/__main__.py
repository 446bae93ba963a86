"""Define the command line, `python -m simulator`: parse options, read the clock, print."""

import math
import os
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from simulator.effect_options import effect_options, with_effects
from simulator.effects import Occurrence
from simulator.instrument import ScpiInstrument, SimulatedDevice
from simulator.modbus import ModbusUnit, RtuBus, TcpBus
from simulator.named_faults import listed
from simulator.recording import MICROSECONDS, RecordingLabel, buffer_readings_toml, recording
from simulator.rig import CALIBRATED_DAY, Rig
from simulator.runs import FIRST_DAY, RUNS, Run, find_run
from simulator.serve import Clock, MeasureFunction, Server
from simulator.stdin_lines import StdinLines
from simulator.text import Style, TextInstrument
from simulator.wire import PtyWire, TcpWire, Wire
from simulator.wire_faults import WireFault, WireFaultInjector, parse_wire_fault

MAX_HOURS = 2000.0


def _run(_ctx: click.Context, _param: click.Parameter, value: str) -> Run:
    try:
        return find_run(value)
    except LookupError as error:
        raise click.BadParameter(f"{error.args[0]} (list them with: python -m simulator runs)") from error


def _moment(_ctx: click.Context, _param: click.Parameter, value: str | None) -> datetime | None:
    """Return the moment in UTC."""
    if value is None:
        return None
    try:
        moment = datetime.fromisoformat(value)
    except ValueError as error:
        raise click.BadParameter(f"{value!r} is not a date and time such as 2026-11-24T18:00:00Z") from error
    if moment.tzinfo is None:
        raise click.BadParameter(f"{value!r} does not say its offset from UTC: add Z or, say, +01:00")
    if not 1971 <= moment.year <= 9000:  # noqa: PLR2004 -- room for a day before and a run after
        raise click.BadParameter(f"{value!r}: choose a year from 1971 to 9000")
    return moment.astimezone(UTC)


def _finite(_ctx: click.Context, _param: click.Parameter, value: float | None) -> float | None:
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{value} is not a finite number")
    return value


def _address(_ctx: click.Context, _param: click.Parameter, value: str | None) -> tuple[str, int] | None:
    """Return host and port."""
    if value is None:
        return None
    host, _, port = value.rpartition(":")
    if not host or not port.isdecimal() or int(port) > 65535:  # noqa: PLR2004 -- sixteen bits
        raise click.BadParameter(f"{value!r} is not HOST:PORT with a port of 0 (any free one) to 65535")
    return host, int(port)


def _units(_ctx: click.Context, _param: click.Parameter, value: tuple[int, ...]) -> tuple[int, ...]:
    if len(set(value)) < len(value):
        raise click.BadParameter("two instruments with one address: give each its own")
    return value


def _wire_faults(_ctx: click.Context, _param: click.Parameter, value: tuple[str, ...]) -> list[WireFault]:
    try:
        return [parse_wire_fault(text) for text in value]
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


def _plain(_ctx: click.Context, _param: click.Parameter, value: str) -> str:
    """Return the serial number, which must fit between the commas of an identity."""
    if not value or not value.isascii() or not value.isprintable() or set(value) & set(",;"):
        raise click.BadParameter(f"{value!r} must be printable ASCII without comma and semicolon")
    return value


_name = click.argument("run", callback=_run)
_seed = click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Chance.")
_hours = click.option(
    "--hours",
    callback=_finite,
    type=click.FloatRange(0, MAX_HOURS, min_open=True),
    help="Length instead of the run's own; faults stay where they are.",
)
_epoch = click.option(
    "--epoch", callback=_moment, metavar="RFC3339", help="UTC at run time 0 [default: the run's own]."
)
_out = click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write [default: stdout].")
_vat = click.option("--vat", help="Id of the vat [default: the run's].")
_probe = click.option("--probe", help="Id of the probe [default: the vat's, with -probe].")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def main() -> None:
    """Simulate a fermenting vat with a pH electrode in it. Nothing it says is a measurement."""


@main.command()
def runs() -> None:
    """List the runs."""
    width = max(map(len, RUNS))
    for run in RUNS.values():
        click.echo(f"{run.name:<{width}}  {run.summary}")


@main.command()
def faults() -> None:
    """List the faults and disturbances that can be added to any run."""
    for line in listed():
        click.echo(line)


@main.command()
@_name
@_seed
@_hours
@_epoch
@click.option(
    "--speed",
    callback=_finite,
    type=click.FloatRange(0, min_open=True),
    default=1.0,
    show_default=True,
    help="Time factor.",
)
@click.option(
    "--epoch-monotonic", callback=_finite, type=float, help="Reading of CLOCK_MONOTONIC at run time 0 [default: now]."
)
@click.option(
    "--tcp",
    callback=_address,
    metavar="HOST:PORT",
    help="Serve on TCP instead of a pseudo-terminal; port 0: any free one.",
)
@click.option("--link", type=click.Path(path_type=Path), help="Symbolic link to keep pointed at the terminal.")
@click.option("--serial", callback=_plain, default="SIM0001", show_default=True, help="Serial number in the identity.")
@click.option(
    "--protocol",
    type=click.Choice(["scpi", "text", "modbus-rtu", "modbus-tcp"]),
    default="scpi",
    show_default=True,
    help="What the probe speaks.",
)
@click.option(
    "--style",
    type=click.Choice([str(each) for each in Style]),
    default="asked",
    show_default=True,
    help="Of text: it answers READ?, or prints a line a second, or answers with its own pH.",
)
@click.option(
    "--address",
    "addresses",
    callback=_units,
    type=click.IntRange(0, 255),
    multiple=True,
    default=(1,),
    show_default=True,
    help="Modbus address; several times: as many instruments on the line, each with the next seed.",
)
@click.option(
    "--disturb",
    "wire_faults",
    callback=_wire_faults,
    multiple=True,
    metavar="KIND[:CHANCE][@ADDRESS]",
    help="Fault of the wire: dropped, doubled, noise, partial, slow, stuck, echo, checksum, collision, impostor, dead.",
)
@effect_options
def serve(  # noqa: PLR0913, PLR0917 -- one parameter for each option
    run: Run,
    seed: int,
    hours: float | None,
    epoch: datetime | None,
    speed: float,
    epoch_monotonic: float | None,
    tcp: tuple[str, int] | None,
    link: Path | None,
    serial: str,
    protocol: str,
    style: str,
    addresses: tuple[int, ...],
    wire_faults: list[WireFault],
    faults: tuple[Occurrence, ...],
    disturbances: tuple[Occurrence, ...],
) -> None:
    """Serve RUN as an instrument on a port; its first line of output is the port's name.

    Standard input, unless it is a terminal, says what somebody does with the probe, a line each: `dip PH [CELSIUS]`
    (into a buffer), `vat` (back), `crack` or `whole` (the bulb), `restless` or `calm` (the potential), `cold CELSIUS`
    (the buffers). What was done is repeated on standard error.

    Of several instruments on a line, --fault concerns the first, --disturbance all.

    The registers that Modbus reads are told in the file simulator/modbus.py.
    """
    if tcp and link:
        raise click.UsageError("--link points at a terminal: leave out --link or --tcp")
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _stop)
    run = with_effects(_cut(run, hours), faults, disturbances)
    wire: Wire = TcpWire(*tcp) if tcp else PtyWire(link)
    _say(f"SIMULATION, run {run.name}, seed {seed}, {speed:g}x, from {_epoch_of(run, epoch).isoformat()}")
    try:
        count = len(addresses) if protocol.startswith("modbus") else 1
        # Before the clock is read: a fast run must not lose its first minutes.
        rigs = [Rig(run if number == 0 else replace(run, faults=()), seed + number) for number in range(count)]
        origin_s = time.monotonic() if epoch_monotonic is None else epoch_monotonic
        clock = Clock(monotonic=time.monotonic, origin_s=origin_s, speed=speed)
        make = _maker(protocol, style, addresses, serial=serial)
        injector = WireFaultInjector(wire_faults, seed=seed)
        server = Server(
            rigs, wire, make_device=make, fault_injector=injector, stdin=StdinLines(0), clock=clock, log=_say
        )
        server.serve(opened=lambda name: click.echo(f"port: {name}"))
    except OSError as error:
        raise click.ClickException(f"the port {wire.name} cannot be opened: {error}") from error
    except KeyboardInterrupt:
        _say("stopped")


@main.command()
@_name
@_seed
@_hours
@_epoch
@_vat
@_probe
@_out
@click.option(
    "--poll",
    callback=_finite,
    type=click.FloatRange(0.01),
    default=10.0,
    show_default=True,
    help="Seconds between records.",
)
@effect_options
def record(  # noqa: PLR0913, PLR0917 -- one parameter for each option
    run: Run,
    seed: int,
    hours: float | None,
    epoch: datetime | None,
    vat: str | None,
    probe: str | None,
    out: Path | None,
    poll: float,
    faults: tuple[Occurrence, ...],
    disturbances: tuple[Occurrence, ...],
) -> None:
    """Write RUN as a recording: what a watch that polled it would have logged."""
    run = with_effects(_cut(run, hours), faults, disturbances)
    label = _label(run, epoch, vat=vat, probe=probe, poll_s=poll)
    _write(out, lambda write: [write(line) for line in recording(Rig(run, seed), label)])


@main.command()
@_name
@_seed
@_epoch
@_out
def dip(run: Run, seed: int, epoch: datetime | None, out: Path | None) -> None:
    """Write what a person read in fresh buffers with RUN's electrode, a day before, as TOML."""
    made_at = (_epoch_of(run, epoch) + timedelta(days=CALIBRATED_DAY)).isoformat().replace("+00:00", "Z")
    _write(out, lambda write: write(buffer_readings_toml(Rig(run, seed), made_at=made_at)))


def _maker(
    protocol: str, style: str, addresses: tuple[int, ...], *, serial: str
) -> Callable[[list[MeasureFunction]], SimulatedDevice]:
    """Return the function that makes the instruments at this end of the wire."""

    def make(measures: list[MeasureFunction]) -> SimulatedDevice:
        if protocol == "scpi":
            return ScpiInstrument(measures[0], serial=serial)
        if protocol == "text":
            return TextInstrument(measures[0], style=Style(style), serial=serial)
        pairs = zip(addresses, measures, strict=True)
        units = [ModbusUnit(address, measure, serial=f"{serial}-{address}") for address, measure in pairs]
        return RtuBus(units) if protocol == "modbus-rtu" else TcpBus(units)

    return make


def _say(line: str) -> None:
    click.echo(f"simulator: {line}", err=True)


def _stop(_number: int, _frame: object) -> None:
    raise KeyboardInterrupt


def _cut(run: Run, hours: float | None) -> Run:
    return run if hours is None else replace(run, hours=hours)


def _epoch_of(run: Run, epoch: datetime | None) -> datetime:
    hour = int(run.start_hour)
    minute = round((run.start_hour - hour) * 60)
    return epoch or datetime.fromisoformat(f"{FIRST_DAY}T{hour:02}:{minute:02}:00+00:00")


def _label(run: Run, epoch: datetime | None, *, vat: str | None, probe: str | None, poll_s: float) -> RecordingLabel:
    vat = vat or run.vat_id
    moment = _epoch_of(run, epoch)
    micro = int(moment.replace(microsecond=0).timestamp()) * MICROSECONDS + moment.microsecond
    return RecordingLabel(vat=vat, probe=probe or f"{vat}-probe", poll_s=poll_s, epoch_us=micro)


def _write(out: Path | None, fill: Callable[[Callable[[str], object]], object]) -> None:
    """Fill a file, or stdout."""
    if out is None:
        fill(sys.stdout.write)
        return
    try:
        with open(out, "w", encoding="utf-8", newline="\n", opener=_private) as file:
            fill(file.write)
    except OSError as error:
        raise click.ClickException(f"cannot write {out}: {error.strerror}; choose another --out") from error


def _private(path: str, flags: int) -> int:
    """Open a file, made for its owner alone if it is new."""
    return os.open(path, flags, 0o600)


if __name__ == "__main__":
    main(prog_name="python -m simulator")
