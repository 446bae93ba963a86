"""Write the text of a commented configuration from answers.

Law: pure; whatever the answers are, the text is TOML, and what cannot be used is found by loading it.
"""

import json
from dataclasses import dataclass
from pathlib import Path
from string import Template
from typing import Final

from logger.config import ProbeConfig
from logger.probe.suggest import description_toml
from logger.settings.problems import written_key
from logger.settings.profiles import PROFILES, TARGETS, Profile
from logger.structs import replace

_USUAL_TARGET: Final = 4.6
SERVICE_STORE: Final = "/var/lib/vatvigil/log.sqlite"
"""In the folder that the systemd unit of config_examples lets the service write."""
FIRST_PORT: Final = "/dev/serial/by-id/name-of-your-adapter"
"""Of an adapter that nobody has plugged in yet."""

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
$backup$simulation
# Name ports by their path below /dev/serial/by-id: another name may mean another adapter after the next restart.
$probe_table

[vat.$vat]
name = $name
probe = $probe_text
# The kind of ferment brings the alarms and the target: $profiles.
# Say `vatvigil mark $vat started` when a batch starts, or neither its start nor its deadlines can be watched.
profile = $profile
$target
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

# Where the people are: the local time in what they read.
[people]
zone = $zone
$quiet
# The alarms `no-data`, `blind`, `trust-lost`, `trust-doubted`, `no-calibration`, `calibration-overdue`,
# `check-overdue`, `cleaning-overdue`, `buffer-expired` and `drifted` are always there; write their tables only to
# tune them.
$broker$push""")

_TARGET = Template("""
# What the vat is to reach.
[vat.$vat.target]
ph = $target
""")
_STALL = Template("""\
[vat.$vat.alarm.stall]
above_ph = $target
""")
_QUIET = Template("""
# In these hours only high priority reaches people; the rest is told when they end, with the morning summary.
[quiet]
from = $begin
to = $end
""")
_NO_QUIET = """
# In quiet hours only high priority reaches people, the rest waits until they end:
# [quiet]
# from = "22:00"
# to = "07:00"
"""
_BROKER = Template("""
[mqtt]
host = $host
port = $port
$login# tls = true
""")
_LOGIN = Template("""\
username = $user
password_file = $password_file
""")
_NO_LOGIN = """\
# username = "vatvigil"
# password_file = "mqtt_password"  # a file of its own with the password in it, mode 600
"""
_NO_BROKER = """
# Without a broker alarms are only written to the log. With one:
# [mqtt]
# host = "localhost"
# username = "vatvigil"
# password_file = "mqtt_password"
"""
_PUSH = Template("""
# Alarms on a telephone, whether or not there is a broker: one address a line, see `vatvigil help push`.
[push]
urls_file = $file
""")
_SIMULATION = """
# All of this is simulated: remove this table only together with the store.
[simulation]
speed = 1.0
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class InitAnswers:
    """What the written file says."""

    vat: str
    """Its id."""
    name: str
    profile: Profile
    probe: ProbeConfig
    """Its port, and how it is read there."""
    identity: str = ""
    """What the instrument answered to *IDN?."""
    target_ph: float | None
    """None: the kind of ferment has no target."""
    ph_low: float
    temperature_high: float
    temperature_low: float
    zone: str = "UTC"
    quiet: tuple[str, str] | None = None
    store: str
    backup_dir: str = ""
    broker: str = ""
    """Host; empty: none."""
    broker_port: int = 1883
    broker_user: str = ""
    password_file: str = ""
    push_file: str = ""
    """File of addresses of push services; empty: none."""
    simulated: bool


def defaults(profile: Profile, *, simulated: bool) -> InitAnswers:
    """Return what is written where nobody says otherwise."""
    setpoints = PROFILES[profile]
    return InitAnswers(
        vat="vat-1",
        name="Vat 1",
        profile=profile,
        probe=ProbeConfig(id="", port=FIRST_PORT),
        target_ph=TARGETS[profile]["ph"] if profile in TARGETS else None,
        ph_low=setpoints["ph-low"]["setpoint"],
        temperature_high=setpoints["temperature-high"]["setpoint"],
        temperature_low=setpoints["temperature-low"]["setpoint"],
        store="simulated.sqlite" if simulated else "vatvigil.sqlite",
        simulated=simulated,
    )


def store_beside(out: Path, answers: InitAnswers) -> str:
    """Return where the log is put: beside the configuration, but below /etc nothing grows (FHS 3.0, 3.7 and 5.8)."""
    is_service = Path("/etc") in out.absolute().parents and not answers.simulated
    return SERVICE_STORE if is_service else answers.store


def probe_of(answers: InitAnswers) -> str:
    """Return the id of the probe."""
    return f"{answers.vat}-probe"


def written(answers: InitAnswers) -> str:
    """Return the configuration's text."""
    target_ph = _USUAL_TARGET if answers.target_ph is None else answers.target_ph
    return _TEMPLATE.substitute(
        store=_quoted(answers.store),
        backup=_backup(answers),
        simulation=_SIMULATION if answers.simulated else "",
        probe_table=_probe(answers),
        probe_text=_quoted(probe_of(answers)),
        vat=written_key(answers.vat),  # what cannot be an id is still a key: the settings say what is wrong with it
        name=_quoted(answers.name),
        profile=_quoted(answers.profile),
        profiles=", ".join(Profile),
        target=_target(answers),
        ph_high=f"{target_ph:g}",
        armed_ph=f"{target_ph - 0.1:.1f}",
        ph_low=answers.ph_low,
        temperature_high=answers.temperature_high,
        temperature_low=answers.temperature_low,
        zone=_quoted(answers.zone),
        quiet=_quiet(answers),
        broker=_broker(answers),
        push=_PUSH.substitute(file=_quoted(answers.push_file)) if answers.push_file else "",
    )


def _backup(answers: InitAnswers) -> str:
    if answers.backup_dir:
        return f"backup_dir = {_quoted(answers.backup_dir)}  # a copy every day; put it on another disk\n"
    return '# backup_dir = "backups"  # a copy every day; put it on another disk\n'


def _probe(answers: InitAnswers) -> str:
    """Return the table of the probe, and the one of its lines where it sends lines of text."""
    probe, key = replace(answers.probe, id=written_key(probe_of(answers))), written_key(probe_of(answers))
    lines, text = [f"port = {_quoted(probe.port)}"], ""
    if probe.text is not None:
        _, _, described = description_toml(probe.text, probe).partition("\n")
        head, _, rest = described.partition(f"\n[probe.{key}.text]\n")
        lines = head.splitlines()
        text = f"\n\n# One of its lines, and how it is read; see `vatvigil help probes`.\n[probe.{key}.text]\n{rest}"
    elif probe.baud != ProbeConfig(id="", port="").baud:
        lines.append(f"baud = {probe.baud}")
    return "\n".join([f"[probe.{key}]", *lines, "poll_s = 10", "timeout_s = 2", *_identity(answers)]) + text


def _identity(answers: InitAnswers) -> list[str]:
    if answers.probe.text is not None:
        return []
    said = answers.identity.split(",")[2].strip() if answers.identity.count(",") > 1 else ""
    example = _quoted(said or "0007")
    return [
        f"# identity = {example}  # part of what the instrument answers to *IDN?; no other one is then taken for it"
    ]


def _target(answers: InitAnswers) -> str:
    if answers.target_ph is None:
        return ""
    values = {"vat": written_key(answers.vat), "target": answers.target_ph}
    is_profiles = answers.profile in TARGETS and answers.target_ph == TARGETS[answers.profile]["ph"]
    stall = "" if is_profiles or "stall" not in PROFILES[answers.profile] else _STALL.substitute(values)
    return _TARGET.substitute(values) + stall


def _quiet(answers: InitAnswers) -> str:
    if answers.quiet is None:
        return _NO_QUIET
    begin, end = map(_quoted, answers.quiet)
    return _QUIET.substitute(begin=begin, end=end)


def _broker(answers: InitAnswers) -> str:
    if not answers.broker:
        return _NO_BROKER
    login = _NO_LOGIN
    if answers.broker_user:
        file = _quoted(answers.password_file)
        login = _LOGIN.substitute(user=_quoted(answers.broker_user), password_file=file)
        login = login if answers.password_file else login.replace("password_file", "# password_file")
    return _BROKER.substitute(host=_quoted(answers.broker), port=answers.broker_port, login=login)


def _quoted(text: str) -> str:
    """Return a TOML basic string: JSON's, but DEL must be escaped too (TOML 1.0, String)."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
