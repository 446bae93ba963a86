"""Ask what a configuration needs, what matters first, and try each answer.

Law: a question that has a sensible answer offers it. What does not work is told at once, and may be kept all the same:
an adapter may be in another room, a broker may be off.
"""

import shlex
import shutil
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Final

import click

from logger.cli import _init_values as values
from logger.cli._common import command_line, folded
from logger.cli._init_file import FIRST_PORT, InitAnswers, defaults, store_beside, written
from logger.cli._interview import Interview, say
from logger.config import Config, ProbeConfig
from logger.errors import ConfigurationError, RefusedError
from logger.settings.profiles import Profile
from logger.structs import replace

NO_SECRETS: Final = MappingProxyType[str, str]({})
INTRODUCTION: Final = "Enter takes what stands in [ ]. Ctrl-C stops; what you answered is kept."
KINDS: Final = {
    Profile.LACTIC_VEGETABLES: "vegetables in 2 to 3 % salt",
    Profile.BRINED_CUCUMBERS: "cucumbers in 5 to 8 % salt",
    Profile.VINEGAR: "alcohol that turns into vinegar",
    Profile.KOMBUCHA: "sweetened tea",
}
RUNS: Final = {
    Profile.LACTIC_VEGETABLES: "normal-night",
    Profile.BRINED_CUCUMBERS: "cucumber-vat",
    Profile.VINEGAR: "vinegar-vat",
    Profile.KOMBUCHA: "kombucha-vat",
}
"""The run of the simulator that shows each kind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The answers, and what belongs to them but not into the file."""

    answers: InitAnswers
    out: Path
    password: str = ""
    """To be written into the password file; empty: nobody gave one."""
    push_url: str = ""
    """To be written into the file of addresses; empty: nobody gave one."""

    @property
    def secrets(self) -> dict[str, str]:
        """Return what is written into files of its own, by their names beside the configuration."""
        files = {self.answers.password_file: self.password, self.answers.push_file: self.push_url}
        return {name: secret for name, secret in files.items() if secret}

    @property
    def simulated_run(self) -> str:
        """Return the simulator's run for this kind of ferment."""
        return RUNS[self.answers.profile]


def ask(interview: Interview, place: Callable[[bool], Path]) -> Asked:
    """Return all answers; `place` says where the file goes. Raises click.UsageError, click.Abort, RefusedError."""
    if interview.asks:
        click.echo(folded(INTRODUCTION))
    interview.resume()
    simulated = _simulated(interview)
    out = place(simulated)
    answers = _vat(interview, simulated=simulated)
    answers = _port(interview, answers, out)
    answers = _people(interview, answers)
    answers = replace(
        answers,
        store=interview.given["store"] or store_beside(out, answers),
        backup_dir=interview.given["backup_dir"] or "",
    )
    asked = _push(interview, _broker(interview, Asked(answers=answers, out=out)))
    if wrong := trouble(asked.answers, asked.secrets):
        raise ConfigurationError(f"nothing was written, an answer cannot be used:\n{wrong}")
    return asked


def _simulated(interview: Interview) -> bool:
    given = interview.given["simulated"]
    if given is not None:
        return bool(given)
    return interview.answer("simulated", "Is the probe real or simulated?", "real", _real_or_not) == "simulated"


def _real_or_not(text: str) -> str:
    word = text.strip().lower()
    near = [each for each in ("real", "simulated") if word and each.startswith(word)]
    if not near:
        raise click.BadParameter("say real, or simulated to try everything first")
    return near[0]


def _vat(interview: Interview, *, simulated: bool) -> InitAnswers:
    """Return what is to be watched: the kind of ferment, its name, its limits."""
    if interview.asks and interview.given["profile"] is None:
        for number, (kind, what) in enumerate(KINDS.items(), start=1):
            click.echo(f"  {number}  {kind:<18} {what}")
    profile = interview.answer("profile", "Kind of ferment", Profile.LACTIC_VEGETABLES, _profile)
    answers = _named(interview, defaults(profile, simulated=simulated))
    if answers.target_ph is not None:
        answers = _figure(interview, answers, "target_ph", "pH that it is to reach")
    if interview.given["ph_low"] is not None:
        answers = _figure(interview, answers, "ph_low", "")
    answers = _figure(interview, answers, "temperature_low", "Wake somebody when it is as cold as (C)")
    return _figure(interview, answers, "temperature_high", "Wake somebody when it is as warm as (C)")


def _profile(text: str) -> Profile:
    kinds = list(KINDS)
    if text.strip() in {str(number) for number in range(1, len(kinds) + 1)}:
        return kinds[int(text) - 1]
    word = text.strip().lower()
    near = [kind for kind in kinds if word and str(kind).startswith(word)]
    if len(near) != 1:
        raise click.BadParameter(f"{text!r} is none of these; write its number or its name")
    return near[0]


def _named(interview: Interview, answers: InitAnswers) -> InitAnswers:
    """Return the answers with the vat's name and id; each is made of the other where only one is given."""
    vat = interview.given["vat"]
    name = interview.answer("name", "Name of the vat", answers.name if vat is None else vat, values.name)
    made = values.id_of(name if vat is None else vat) or answers.vat
    answers = replace(answers, name=name, vat=made)
    if interview.asks and made != name:
        say(f"In commands and topics it is {made}.")
    return answers


def _figure(interview: Interview, answers: InitAnswers, key: str, question: str) -> InitAnswers:
    """Return the answers with one figure in them, which the whole configuration agrees with."""

    def wrong(value: float) -> str:
        return trouble(replace(answers, **{key: value}))  # type: ignore[arg-type] # a field that is a number

    default = f"{getattr(answers, key):g}"
    value = interview.answer(key, question, default, values.number, trouble=wrong)
    return replace(answers, **{key: value})  # type: ignore[arg-type] # as above


def _port(interview: Interview, answers: InitAnswers, out: Path) -> InitAnswers:
    """Return the answers with the probe's port, and with how it is read there."""
    ports = list_ports()
    default = str(out.parent.resolve() / "simulated-probe") if answers.simulated else next(iter(ports), FIRST_PORT)
    if interview.asks and interview.given["port"] is None:
        _show_ports(answers, ports, default)
    while True:
        port = interview.answer("port", "Port of the probe", default, lambda text: _chosen(text, ports))
        tried = replace(answers, probe=ProbeConfig(id="", port=port))
        if not interview.asks:
            return tried
        tried, works = _listened(tried)
        if works or interview.given["port"] is not None:
            return tried
        if interview.confirm("Keep this port and go on?", default=port == default):
            return tried


def list_ports() -> list[str]:
    """Return the serial ports of this machine, by their lasting names where they have one."""
    from logger.probe import port_listing

    return sorted(port.by_id or port.device for port in port_listing.list_serial_ports())


def _show_ports(answers: InitAnswers, ports: list[str], default: str) -> None:
    if answers.simulated:
        say("The simulated probe is a process of its own. Start it in another terminal, and leave it running:")
        serve = f"-P -m simulator serve {RUNS[answers.profile]} --link {shlex.quote(default)}"
        click.echo(command_line(f"{python()} {serve}"))
    elif not ports:
        say("No serial port is found. Plug the probe's adapter in, or write a path or socket://HOST:PORT.")
    else:
        for number, port in enumerate(ports, start=1):
            click.echo(f"  {number}  {port}")


def python() -> str:
    """Return how the Python of this environment is called here."""
    found = shutil.which("python")
    if found and Path(found).parent == Path(sys.executable).parent:
        return "python"
    here = Path(sys.executable)
    return shlex.quote(str(here.relative_to(Path.cwd()) if here.is_relative_to(Path.cwd()) else here))


def _chosen(text: str, ports: list[str]) -> str:
    """Return a port by its number in the list, or as it is written."""
    bare = text.strip()
    if bare.isdecimal() and 1 <= int(bare) <= len(ports):
        return ports[int(bare) - 1]
    if not bare:
        raise click.BadParameter("write a path, such as one below /dev/serial/by-id, or socket://HOST:PORT")
    return bare


def _listened(answers: InitAnswers) -> tuple[InitAnswers, bool]:
    """Return the answers with what speaks on their port, and whether it could be read."""
    from logger.cli.check import values_text
    from logger.probe.recognition import recognise

    try:
        say("Listening (10 s at most) ...")
        found = recognise(answers.probe, simulated=answers.simulated)
    except RefusedError as error:
        say(f"{str(error).removeprefix(f'{answers.probe.port}: ').capitalize()}.")
        return answers, False
    say(f"{found.sentence[0].upper()}{found.sentence[1:]}.")
    if found.probe is None:
        say("If it speaks Modbus, write its registers as `vatvigil help probes` shows.")
        return answers, False
    answers = replace(answers, probe=found.probe, identity=found.identity)
    if found.indication is None:
        return answers, False
    say(f"It reads {values_text(found.probe, found.indication)}.")
    return answers, True


def _people(interview: Interview, answers: InitAnswers) -> InitAnswers:
    """Return the answers with when and where people are told."""
    zone = interview.answer("zone", "Time zone", values.machine_zone(), values.zone)
    question = f"Quiet hours, FROM-TO ({values.NONE}: none)"
    return replace(answers, zone=zone, quiet=interview.answer("quiet", question, "22:00-07:00", values.quiet))


def _broker(interview: Interview, asked: Asked) -> Asked:
    """Return the answers with the broker, tried with its user and password."""
    while True:
        question = f"MQTT broker, HOST[:PORT] ({values.NONE}: none)"
        host, port = interview.answer("broker", question, values.NONE, values.broker)
        port = interview.given["broker_port"] or port or 1883
        tried = replace(asked, answers=replace(asked.answers, broker=host, broker_port=port))
        if host:
            tried = _login(interview, tried)
        if not host or not interview.asks:
            return tried
        wrong = _broker_trouble(tried)
        say(wrong or "The broker accepts the connection.")
        if not wrong or interview.confirm("Keep it and go on?", default=False):
            return tried


def _login(interview: Interview, asked: Asked) -> Asked:
    question = f"User at the broker ({values.NONE}: none)"
    user = interview.answer("broker_user", question, values.NONE, values.optional)
    file, password = interview.given["broker_password_file"], ""
    if file is not None:
        file = str(Path(file).resolve())
    elif user and interview.asks:
        password = click.prompt("Password (it is not shown)", hide_input=True, default="", show_default=False)
        file = f"{asked.out.stem}.mqtt_password" if password else ""
    return replace(asked, answers=replace(asked.answers, broker_user=user, password_file=file or ""), password=password)


def _broker_trouble(asked: Asked) -> str:
    """Return why the broker does not accept the connection; empty: it does."""
    from logger.mqtt.connection_test import trouble as refused

    try:
        config = loaded(asked.answers, asked.secrets)
        return refused(config.mqtt, name=f"{config.mqtt.client_id}-init") if config.mqtt else ""
    except ConfigurationError as error:
        return str(error)


def _push(interview: Interview, asked: Asked) -> Asked:
    """Return the answers with the address of a push service, which the settings have looked at.

    It is a secret, so it is in no file of answers, and shown to nobody.
    """
    if not interview.asks or interview.given["push_urls_file"] is not None:
        file = interview.given["push_urls_file"]
        return replace(asked, answers=replace(asked.answers, push_file=str(Path(file).resolve()) if file else ""))
    while True:
        question = "Address of a push service, such as json://host (it is not shown; Enter: none)"
        url = click.prompt(question, hide_input=True, default="", show_default=False).strip()
        if url in {"", values.NONE}:
            return asked
        file = f"{asked.out.stem}.push_urls"
        tried = replace(asked, answers=replace(asked.answers, push_file=file), push_url=url)
        wrong = trouble(tried.answers, tried.secrets)
        if not wrong:
            return tried
        say(wrong)


def trouble(answers: InitAnswers, secrets: Mapping[str, str] = NO_SECRETS) -> str:
    """Return what is wrong with the configuration that these answers make; empty: it loads."""
    try:
        loaded(answers, secrets)
    except ConfigurationError as error:
        return str(error)
    return ""


def loaded(answers: InitAnswers, secrets: Mapping[str, str]) -> Config:
    """Return the configuration of these answers; nothing of it stays on disk. Raises ConfigurationError."""
    from logger import settings

    with tempfile.TemporaryDirectory(prefix="vatvigil-init-") as folder:
        draft = Path(folder) / "draft.toml"
        draft.write_text(written(answers), encoding="utf-8", errors="replace")
        for name, secret in secrets.items():
            draft.with_name(name).write_text(secret, encoding="utf-8")
        try:
            return settings.load(draft, environ={})
        except ConfigurationError as error:
            raise ConfigurationError(str(error).replace(f"{draft}: ", "")) from None
