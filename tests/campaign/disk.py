"""A disk that forgets at a power cut: what strace(1) saw a process write and flush, replayed up to any moment.

Law: a file has what it had at its newest completed flush, and a name is what it was when its folder was flushed. What
came later is not there (`Cut.NOTHING`), or is there in part (`Cut.SOME`: any of the writes, each perhaps torn between
sectors, names up to some moment), or is (`Cut.ALL`: the process alone died). Linux's file systems promise names earlier
than that; the model takes the least that POSIX promises (fsync(2)).

A write counts from when it was done, a flush too, but what was sent to others from when its sending began: that is the
order that is hardest on the program.
"""

import random
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Final

from logger.structs import replace
from tests.parts.waiting import wait_until

CALLS: Final = (
    "openat,write,pwrite64,writev,pwritev,ftruncate,truncate,rename,renameat,renameat2,unlink,unlinkat,link,"
    "linkat,symlink,fsync,fdatasync,sync_file_range,fallocate,copy_file_range,sendfile,sendto,sendmsg"
)
SECTOR: Final = 512
EVEN: Final = 0.5
_LINE = re.compile(r"^(?P<pid>\d+) +(?P<rest>.*)$")
_RESUMED = re.compile(r"^<\.\.\. (?P<call>\w+) resumed>(?P<rest>.*)$", re.DOTALL)
_CALL = re.compile(r"^(?P<call>\w+)\((?P<arguments>.*)\) += (?P<result>-?\d+)", re.DOTALL)
_PLACE = re.compile(r"^\d+<(?P<path>[^>]*)>")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


def strace(log: Path) -> tuple[str, ...]:
    """Return what stands before a command to have it watched."""
    options = (
        "-D",
        "-f",
        "-q",
        "-y",
        "--seccomp-bpf",
        "-e",
        f"trace={CALLS}",
        "-e",
        "signal=none",
        "-s",
        "4194304",
        "-xx",
    )
    return ("strace", *options, "-o", str(log))


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """One call that matters."""

    call: str
    path: str = ""
    other: str = ""
    """The new name of a file that was renamed."""
    offset: int | None = None
    """None: at the end of what was written so far."""
    data: bytes = b""
    number: int = 0
    """A length, or the process's number of a socket."""


def deeds(log: Path, folder: Path) -> list[Deed]:
    """Return what was done to files below a folder, and what was sent, in order. Raises ValueError for the unknown."""
    wait_until(lambda: log.read_text(errors="replace").rstrip().endswith("+++"), 60)  # its last word is its exit
    found, begun = [], {}
    for line in log.read_text(encoding="ascii", errors="replace").splitlines():
        match = _LINE.match(line)
        if match is None or match["rest"].startswith(("---", "+++")):
            continue
        pid, rest = match["pid"], match["rest"]
        if rest.endswith("<unfinished ...>"):
            begun[pid] = rest.removesuffix("<unfinished ...>").rstrip()
            if rest.startswith("send"):  # it may have left at once
                found += _sent(begun[pid])
            continue
        resumed = _RESUMED.match(rest)
        if resumed:
            whole = begun.pop(pid, "") + resumed["rest"]
            found += [] if resumed["call"].startswith("send") else _deed(whole, folder)
        else:
            found += _sent(rest) if rest.startswith("send") else _deed(rest, folder)
    return found


def _sent(line: str) -> list[Deed]:
    text = _TEXT.search(line)
    number = re.match(r"\w+\((\d+)", line)
    return [Deed(call="send", data=_bytes(text[1]), number=int(number[1]))] if text and number else []


def _bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


def _deed(line: str, folder: Path) -> list[Deed]:
    match = _CALL.match(line)
    if match is None or int(match["result"]) < 0:
        return []
    call, arguments = match["call"], match["arguments"]
    if call in _ON_NAMES:
        names = [str(folder / _bytes(text).decode(errors="replace")) for text in _TEXT.findall(arguments)]
        return [each for each in _ON_NAMES[call](names, arguments) if each.path.startswith(str(folder))]
    place = _PLACE.match(arguments)
    path = _bytes(place["path"]).decode() if place else ""
    if not path.startswith(str(folder)) or path.endswith((".lock", "-shm")):
        return []  # SQLite's index of the log is made anew after a crash; it promises nothing
    if call not in _ON_FILES:
        raise ValueError(f"a call that the model of the disk does not know: {line[:200]}")
    return [_ON_FILES[call](path, arguments, int(match["result"]))]


def _made(names: list[str], arguments: str) -> list[Deed]:
    made = [Deed(call="make", path=names[0])] if "O_CREAT" in arguments else []
    return made + ([Deed(call="cut", path=names[0])] if "O_TRUNC" in arguments else [])


def _written(path: str, arguments: str, result: int) -> Deed:
    text = _TEXT.search(arguments)
    return Deed(call="write", path=path, data=_bytes(text[1])[:result] if text else b"")


def _written_at(path: str, arguments: str, result: int) -> Deed:
    return replace(_written(path, arguments, result), offset=int(arguments.rsplit(",", 1)[1]))


_ON_NAMES: Final[Mapping[str, Callable[[list[str], str], list[Deed]]]] = {
    "openat": _made,
    **dict.fromkeys(("rename", "renameat", "renameat2"), lambda n, _: [Deed(call="rename", path=n[0], other=n[-1])]),
    **dict.fromkeys(("unlink", "unlinkat"), lambda n, _: [Deed(call="unlink", path=n[0])]),
}
_ON_FILES: Final[Mapping[str, Callable[[str, str, int], Deed]]] = {
    "write": _written,
    "pwrite64": _written_at,
    "ftruncate": lambda path, arguments, _: Deed(call="cut", path=path, number=int(arguments.rsplit(",", 1)[1])),
    **dict.fromkeys(("fsync", "fdatasync"), lambda path, *_: Deed(call="flush", path=path)),
}


@dataclass(slots=True)
class _File:
    durable: bytearray = field(default_factory=bytearray)
    size: int = 0
    pending: list[Deed] = field(default_factory=list)

    def do(self, deed: Deed) -> None:
        if deed.call == "write":
            at = self.size if deed.offset is None else deed.offset
            self.pending.append(Deed(call="write", offset=at, data=deed.data))
            self.size = max(self.size, at + len(deed.data))
        else:
            self.pending.append(deed)
            self.size = deed.number

    def flush(self) -> None:
        for deed in self.pending:
            _apply(self.durable, deed)
        self.pending.clear()

    def after_cut(self, cut: "Cut", chance: random.Random) -> bytes:
        content = bytearray(self.durable)
        for deed in self.pending:
            if cut is Cut.ALL:
                _apply(content, deed)
            elif cut is Cut.SOME and chance.random() < EVEN:
                _apply(content, _torn(deed, chance))
        return bytes(content)


def _apply(content: bytearray, deed: Deed) -> None:
    if deed.call == "cut":
        del content[deed.number :]
        content.extend(bytes(deed.number - len(content)))
        return
    at = deed.offset or 0
    content.extend(bytes(max(0, at - len(content))))
    content[at : at + len(deed.data)] = deed.data


def _torn(deed: Deed, chance: random.Random) -> Deed:
    """Return the beginning of a write, up to a sector's end, or all of it."""
    if deed.call != "write" or len(deed.data) <= SECTOR or chance.random() < EVEN:
        return deed
    sectors = chance.randrange(1, len(deed.data) // SECTOR + 1)
    return Deed(call="write", offset=deed.offset, data=deed.data[: sectors * SECTOR])


class Cut(Enum):
    """What of the unflushed is on the disk after the cut."""

    NOTHING = "nothing"
    SOME = "some"
    ALL = "all"


@dataclass(slots=True)
class Disk:
    """Files below one folder, and what of them would be left."""

    names: dict[str, _File] = field(default_factory=dict)
    flushed: dict[str, _File] = field(default_factory=dict)
    pending: list[Deed] = field(default_factory=list)
    _made: dict[int, _File] = field(default_factory=dict)

    @classmethod
    def of(cls, folder: Path) -> "Disk":
        """Return the disk as it is now, all of it flushed."""
        disk = cls()
        for path in (each for each in folder.rglob("*") if each.is_file() and not each.is_symlink()):
            content = bytearray(path.read_bytes())
            disk.names[str(path)] = _File(durable=content, size=len(content))
        disk.flushed = dict(disk.names)
        return disk

    def do(self, deed: Deed) -> None:
        """Do what the process did."""
        match deed.call:
            case "make" if deed.path not in self.names:
                self.names[deed.path] = _File()
                self._name(deed, self.names[deed.path])
            case "unlink":
                self.names.pop(deed.path, None)
                self._name(deed)
            case "rename":
                self.names[deed.other] = self.names.pop(deed.path)
                self._name(deed)
            case "flush" if deed.path in self.names:
                self.names[deed.path].flush()
            case "flush":
                self._flush_names(deed.path)
            case "write" | "cut" if deed.path in self.names:
                self.names[deed.path].do(deed)

    def _name(self, deed: Deed, made: _File | None = None) -> None:
        self.pending.append(deed)
        if made is not None:
            self._made[id(deed)] = made

    def _flush_names(self, folder: str) -> None:
        kept = []
        for deed in self.pending:
            if str(Path(deed.path).parent) == folder:
                self._do_name(self.flushed, deed)
            else:
                kept.append(deed)
        self.pending = kept

    def _do_name(self, names: dict[str, _File], deed: Deed) -> None:
        if deed.call == "make":
            names[deed.path] = self._made[id(deed)]
        elif deed.call == "unlink":
            names.pop(deed.path, None)
        elif deed.path in names:
            names[deed.other] = names.pop(deed.path)

    def cut(self, cut: Cut, chance: random.Random, *, folder: Path, to: Path) -> None:
        """Write what is left of the folder to another place."""
        names = dict(self.flushed)
        later = {Cut.NOTHING: 0, Cut.SOME: chance.randrange(len(self.pending) + 1), Cut.ALL: len(self.pending)}[cut]
        for deed in self.pending[:later]:
            self._do_name(names, deed)
        for name, file in names.items():
            path = to / Path(name).relative_to(folder)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(file.after_cut(cut, chance))


def published(sent: Sequence[Deed]) -> Iterator[tuple[str, bytes]]:
    """Yield topic and payload of the MQTT 5.0 PUBLISH packets in what was sent (3.3 there), by connection."""
    streams: dict[int, bytearray] = {}
    for deed in sent:
        if deed.data.startswith(b"\x10"):  # CONNECT begins a connection
            streams[deed.number] = bytearray()
        streams.setdefault(deed.number, bytearray()).extend(deed.data)
    for stream in streams.values():
        yield from _publishes(bytes(stream))


def _publishes(data: bytes) -> Iterator[tuple[str, bytes]]:
    at = 0
    while at < len(data):
        kind, (length, begins) = data[at], _variable(data, at + 1)
        packet = data[begins : begins + length]
        if kind >> 4 == 3 and len(packet) == length:
            name = int.from_bytes(packet[:2])
            topic, rest = packet[2 : 2 + name].decode(), 2 + name + (2 if kind & 0x06 else 0)
            properties, begin = _variable(packet, rest)
            yield topic, packet[begin + properties :]
        at = begins + length


def _variable(data: bytes, at: int) -> tuple[int, int]:
    value = place = 0
    while at < len(data):
        value |= (data[at] & 0x7F) << place
        place, at = place + 7, at + 1
        if not data[at - 1] & 0x80:
            break
    return value, at
