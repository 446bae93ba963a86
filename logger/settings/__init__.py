"""Load the configuration: one frozen `Config` from the TOML file, the environment and files of secrets.

Law: `load` returns a configuration that can be run, or raises one ConfigurationError that lists every problem, one a
line: where, the key, the value, the reason, what to do. No secret is ever part of a message.

Order: environment (`VATVIGIL_MQTT__HOST`), then the files of the directory that `VATVIGIL_SECRETS_DIR` names
(`mqtt__password`), then the file. Relative paths are taken from the directory of the configuration file.
"""

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import msgspec

from logger.config import Config
from logger.errors import ConfigurationError
from logger.settings.checks import problems
from logger.settings.convert import convert
from logger.settings.parsing import ParsedSources, read

_SECRETS = {"mqtt": "password", "hook": "command", "push": "urls", "dead_man": "url"}
"""By table, the field that holds a secret."""


def load(path: Path, *, environ: Mapping[str, str]) -> Config:
    """Return the configuration. Raises ConfigurationError, and nothing else, for whatever a user can write."""
    reading = read(path, environ=environ)
    config = convert(reading)
    for problem in problems(config, broken_probes=_broken_probes(reading, config)):
        reading.add(problem)
    if reading.problems:
        raise ConfigurationError("\n".join(problem.line(origin) for origin, problem in reading.problems))
    return config


def config_hash(config: Config) -> str:
    """Return a SHA-256 (hex) of what a configuration means, the same for any order of tables.

    Leaves out the store's address, what the hook runs, and the other fields of `_SECRETS`: a hash of a file that is
    known but for them would give them away, and they change nothing in what is watched. Nor does what is retired.
    """
    plain = msgspec.to_builtins(config, str_keys=True, enc_hook=str)
    del plain["store_url"], plain["retired"]
    for table, secret in _SECRETS.items():
        if plain[table] is not None:
            del plain[table][secret]
    for vat in plain["vats"]:
        vat["alarms"] = _by_id(vat["alarms"])
    plain |= {"probes": _by_id(plain["probes"]), "vats": _by_id(plain["vats"]), "buffers": _by_id(plain["buffers"])}
    return hashlib.sha256(msgspec.json.encode(plain, order="sorted")).hexdigest()


def _by_id(tables: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(tables, key=lambda table: table["id"])


def _broken_probes(reading: ParsedSources, config: Config) -> list[str]:
    """Return the probes whose tables could not be read at all; when none could, all that vats refer to."""
    if ("probe",) in reading.left_out:
        return [vat.probe for vat in config.vats]
    return [key[1] for key in reading.left_out if key[:1] == ("probe",) and not key[2:]]


__all__ = ["config_hash", "load"]
