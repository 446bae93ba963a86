"""List the serial ports of this machine: their names, which processes hold them, who may use them.

Law: what the system reports and nothing else; no port is opened, nothing is guessed of what is connected. What this
user may not inspect is reported as unknown.
"""

import grp
import os
import pwd
import stat
from collections.abc import Iterable
from pathlib import Path

from serial.tools import list_ports

from logger.structs import Struct

BY_ID = Path("/dev/serial/by-id")
BY_PATH = Path("/dev/serial/by-path")
PROC = Path("/proc")


class Holder(Struct, frozen=True):
    """A process that has the port open."""

    pid: int
    command: str


class ListedPort(Struct, frozen=True, kw_only=True):
    """One serial port."""

    device: str
    by_id: str = ""
    """Name that stays with the adapter, whatever socket it is in; empty: it has none."""
    by_path: str = ""
    """Name that stays with the socket, whatever adapter is in it."""
    description: str = ""
    """The adapter's own description."""
    holders: tuple[Holder, ...] = ()
    is_all_seen: bool = True
    """Whether all processes could be inspected; False: this user may not inspect some."""
    mode: str = ""
    """Owner, group and permissions, as `ls -l` writes them."""
    is_usable: bool = False
    """Whether this user may read and write it."""
    advice: str = ""
    """What to do if not."""

    @property
    def name(self) -> str:
        """Return the name to write into a configuration."""
        return self.by_id or self.by_path or self.device


def list_serial_ports(*, by_id: Path = BY_ID, by_path: Path = BY_PATH, proc: Path = PROC) -> list[ListedPort]:
    """Return the ports that the system lists, and those that lasting names point at."""
    descriptions = {port.device: port.description for port in list_ports.comports()}
    linked = {os.path.realpath(link) for folder in (by_id, by_path) for link in folder.glob("*")}
    return describe_ports(
        sorted(descriptions.keys() | linked), by_id=by_id, by_path=by_path, proc=proc, descriptions=descriptions
    )


def describe_ports(
    paths: Iterable[str],
    *,
    by_id: Path = BY_ID,
    by_path: Path = BY_PATH,
    proc: Path = PROC,
    descriptions: dict[str, str] | None = None,
) -> list[ListedPort]:
    """Return these ports with names, holders and permissions."""
    holders, is_all_seen = _holders(proc)
    ids, places = _links(by_id), _links(by_path)
    ports = []
    for path in paths:
        device = os.path.realpath(path)
        mode, advice = access(device)
        ports.append(
            ListedPort(
                device=device,
                by_id=ids.get(device, ""),
                by_path=places.get(device, ""),
                description=(descriptions or {}).get(device, ""),
                holders=tuple(holders.get(device, ())),
                is_all_seen=is_all_seen,
                mode=mode,
                is_usable=not advice,
                advice=advice,
            )
        )
    return ports


def access(path: str) -> tuple[str, str]:
    """Return a port's owner, group and permissions, and what this user must do to get access; empty: nothing."""
    try:
        status = Path(path).stat()
    except OSError as error:
        return "", f"there is no such port ({error.strerror}); check the cable and the path"
    owner, group = _owner(status.st_uid), _group(status.st_gid)
    mode = f"{stat.filemode(status.st_mode)} {owner} {group}"
    if os.access(path, os.R_OK | os.W_OK):
        return mode, ""
    if status.st_mode & stat.S_IRGRP and status.st_mode & stat.S_IWGRP:
        return mode, f"add this user to the group {group} (usermod -aG {group} USER), then log in anew"
    return mode, f"only {owner} may use it ({stat.filemode(status.st_mode)}); have its permissions changed (udev)"


def _links(folder: Path) -> dict[str, str]:
    return {os.path.realpath(link): str(link) for link in sorted(folder.glob("*"), reverse=True)}


def _holders(proc: Path) -> tuple[dict[str, list[Holder]], bool]:
    """Return which processes hold which device, and whether all processes could be inspected."""
    holders: dict[str, list[Holder]] = {}
    is_all_seen = True
    for process in proc.glob("[0-9]*"):
        try:
            open_now = {_target(end) for end in (process / "fd").iterdir()}
            command = (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
        except PermissionError:
            is_all_seen = False
        except OSError:  # it has ended meanwhile
            continue
        else:
            for path in open_now:
                if path.startswith("/dev/"):
                    holders.setdefault(path, []).append(Holder(int(process.name), command))
    return holders, is_all_seen


def _target(end: Path) -> str:
    """Return what a descriptor is open on; empty: it was closed meanwhile."""
    try:
        return str(end.readlink())
    except FileNotFoundError:
        return ""


def _owner(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)
