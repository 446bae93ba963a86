"""Write a commented configuration after a few questions.

Law: what is written loads; what would not load is never written; no file is overwritten without --force.
"""

import json
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from string import Template
from typing import Any, TypeVar

import click

from logger.cli._common import CAUTION, folded, sentences
from logger.errors import ConfigurationError, RefusedError
from logger.probe import port_listing
from logger.settings.profiles import PROFILES, TARGETS, Profile

_USUAL_TARGET = {"ph": 4.6}
_FIRST_PORT = "/dev/serial/by-id/name-of-your-adapter"

_TEMPLATE = Template("""\
# Configuration of vatvigil, written by `vatvigil init`. Try it with `vatvigil check`, then start `vatvigil run`.
#
#   - This is not a safety interlock. It observes and reports; it may be late, wrong or off.
#   - pH alone does not make food safe. 4.6 is a limit of growth in regulation; it kills nothing and undoes no toxin.
#   - Follow a tested recipe, your local rules and, where you sell, a licensed process authority's scheduled process.
#   - Alarms can fail to arrive: test them, and have a person who looks in the morning.
#
# Seconds and degrees (Celsius) are plain numbers; the unit is in each name. Relative paths are taken from the directory
# of this file. The alarms' figures are common practice, no source: tune them to your recipe.

[store]
path = $store
# backup_dir = "backups"  # a copy every day; put it on another disk
$simulation
[probe.$probe]
# Name ports by their path below /dev/serial/by-id: another name may mean another adapter after the next restart.
port = $port
poll_s = 10
timeout_s = 2
# identity = "0007"  # part of what the instrument answers to *IDN?; no other one is then taken for it

[vat.$vat]
name = $name
probe = $probe_text
# The kind of ferment brings the alarms and the target: $profiles.
# Say `vatvigil mark VAT started` when a batch starts, or neither its start nor its deadlines can be watched.
profile = $profile

# What is written for an alarm stands over the profile, key by key. So low is more likely the probe than the vat.
[vat.$vat.alarm.ph-low]
setpoint = $ph_low

# These two wake; the profile's `warm` and `cool` wait for the day.
[vat.$vat.alarm.temperature-high]
setpoint = $temperature_high

[vat.$vat.alarm.temperature-low]
setpoint = $temperature_low

# pH above a limit again. A vat begins above it, so this counts only once pH was down to armed_ph in the batch; a target
# that was claimed has such an alarm already (above-target). Take the # away if you want this one too.
# [vat.$vat.alarm.ph-high]
# setpoint = $ph_high
# armed_ph = $armed_ph
# on_delay_s = 600
# off_delay_s = 1800
# priority = "high"
# reminder_s = 900  # not acknowledged: remind after this time
# realarm_s = 14400  # acknowledged, but still there: annunciate anew after this time

# Who is woken, and when: in quiet hours only high priority reaches people, the rest waits until they end.
# [people]
# zone = "Europe/Lisbon"  # local time in what you read; without it UTC
# [quiet]
# from = "22:00"
# to = "07:00"

# The alarms `no-data`, `blind`, `trust-lost`, `trust-doubted`, `no-calibration`, `calibration-overdue`,
# `check-overdue` and `drifted` are always there; write their tables only to tune them.
$broker""")

_BROKER = Template("""
[mqtt]
host = $host
port = $port
# username = "vatvigil"
# password_file = "mqtt_password"  # a file of its own with the password in it, mode 600
# tls = true
""")
_NO_BROKER = """
# Without a broker alarms are only written to the log. With one:
# [mqtt]
# host = "localhost"
# username = "vatvigil"
# password_file = "mqtt_password"
"""
_SIMULATION = """
# All of this is simulated: remove this table only together with the store.
[simulation]
speed = 1.0
"""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class InitAnswers:
    """What the written file says."""

    vat: str
    name: str
    profile: Profile
    port: str
    ph_low: float
    temperature_high: float
    temperature_low: float
    store: str
    broker: str
    broker_port: int
    simulated: bool


@click.command()
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), default=Path("vatvigil.toml"), show_default=True
)
@click.option("--force", is_flag=True, help="Overwrite a file that is there.")
@click.option("--defaults", is_flag=True, help="Ask nothing: options not given take their defaults.")
@click.option("--vat", help="Id of the vat: a-z, 0-9 and -.")
@click.option("--name", help="Name of the vat for people.")
@click.option("--profile", type=click.Choice([each.value for each in Profile]), help="Kind of ferment: its alarms.")
@click.option("--port", help="Serial port of the probe: a path or socket://HOST:PORT.")
@click.option("--ph-low", type=float, help="Alarm at and below this pH.")
@click.option("--temperature-high", type=float, help="Alarm at and above this temperature (C).")
@click.option("--temperature-low", type=float, help="Alarm at and below this temperature (C).")
@click.option("--store", help="File of the log.")
@click.option("--broker", help="Host of the MQTT broker; empty for none.")
@click.option("--broker-port", type=int, help="Port of the MQTT broker.")
@click.option("--simulated", is_flag=True, help="The probe is the bundled simulator.")
@sentences
def init(out: Path, *, force: bool, defaults: bool, simulated: bool, **given: Any) -> None:  # noqa: ANN401 - click's options
    """Write a commented configuration after a few questions, and list the serial ports found.

    Exit codes: 0 written, 1 the file is there already or cannot be written, 2 an answer cannot be used.
    """
    if out.exists() and not force:
        raise RefusedError(f"{out} is there already; choose another --out, or overwrite it with --force")
    ports = list_ports()
    _print_ports(ports)
    text = written(_ask(given, ports, asks=not defaults, simulated=simulated))
    _check(text, out)
    _write(text, out)
    click.echo(f"{out} written.\n{folded(CAUTION)}")
    click.echo(f"Next: vatvigil check --config {out}")


def _write(text: str, out: Path) -> None:
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RefusedError(f"{out} cannot be written ({error.strerror}); choose another --out") from None


def list_ports(by_id: Path = port_listing.BY_ID) -> list[str]:
    """Return the serial ports of this machine, by their lasting names where they have one."""
    return sorted(port.by_id or port.device for port in port_listing.list_serial_ports(by_id=by_id))


def written(answers: InitAnswers) -> str:
    """Return the configuration's text."""
    from logger.settings.problems import written_key

    # What cannot be an id is still a key of TOML: the settings then say what is wrong with it.
    probe = f"{answers.vat}-probe"
    broker = _BROKER.substitute(host=_quoted(answers.broker), port=answers.broker_port)
    return _TEMPLATE.substitute(
        store=_quoted(answers.store),
        simulation=_SIMULATION if answers.simulated else "",
        probe=written_key(probe),
        probe_text=_quoted(probe),
        port=_quoted(answers.port),
        vat=written_key(answers.vat),
        name=_quoted(answers.name),
        profile=_quoted(answers.profile),
        profiles=", ".join(Profile),
        ph_high=TARGETS.get(answers.profile, _USUAL_TARGET)["ph"],
        armed_ph=f"{TARGETS.get(answers.profile, _USUAL_TARGET)['ph'] - 0.1:.1f}",
        ph_low=answers.ph_low,
        temperature_high=answers.temperature_high,
        temperature_low=answers.temperature_low,
        broker=broker if answers.broker else _NO_BROKER,
    )


def _quoted(text: str) -> str:
    """Return a TOML basic string: JSON's, but DEL must be escaped too (TOML 1.0, String)."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _print_ports(ports: Iterable[str]) -> None:
    listed = list(ports)
    click.echo("Serial ports found:" if listed else "No serial port found; plug the probe's adapter in and look again.")
    for port in listed:
        click.echo(f"  {port}")


def _ask(given: dict[str, Any], ports: list[str], *, asks: bool, simulated: bool) -> InitAnswers:
    """Return the answers: each by its option, else by asking, else its default."""

    def answer(key: str, question: str, default: T) -> T:
        if given[key] is not None:
            value: T = given[key]
            return value
        return click.prompt(question, default=default, type=type(default)) if asks else default

    profile = Profile(answer("profile", f"Kind of ferment ({', '.join(Profile)})", Profile.LACTIC_VEGETABLES))
    setpoints = PROFILES[profile]
    vat = answer("vat", "Id of the vat (a-z, 0-9 and -)", "vat-1")
    return InitAnswers(
        vat=vat,
        name=answer("name", "Name of the vat for people", vat),
        port=answer("port", "Serial port of the probe", ports[0] if ports else _FIRST_PORT),
        profile=profile,
        ph_low=answer("ph_low", "Alarm at and below pH", setpoints["ph-low"]["setpoint"]),
        temperature_high=answer(
            "temperature_high", "Alarm at and above (C)", setpoints["temperature-high"]["setpoint"]
        ),
        temperature_low=answer("temperature_low", "Alarm at and below (C)", setpoints["temperature-low"]["setpoint"]),
        store=answer("store", "File of the log", "simulated.sqlite" if simulated else "vatvigil.sqlite"),
        broker=answer("broker", "Host of the MQTT broker (empty: none)", ""),
        broker_port=1883 if given["broker_port"] is None else given["broker_port"],
        simulated=simulated,
    )


def _check(text: str, out: Path) -> None:
    """Raise ConfigurationError when the text would not load; nothing of it stays on disk."""
    from logger import settings

    with tempfile.TemporaryDirectory(prefix="vatvigil-init-") as folder:
        draft = Path(folder) / out.name
        draft.write_text(text, encoding="utf-8", errors="replace")
        try:
            settings.load(draft, environ={})
        except ConfigurationError as error:
            reasons = str(error).replace(f"{draft}: ", "")
            raise ConfigurationError(f"nothing was written, an answer cannot be used:\n{reasons}") from None
