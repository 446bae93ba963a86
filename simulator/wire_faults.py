"""Inject faults of a wire into replies: bytes that are lost, doubled, changed, late or from another sender.

Law: chance is seeded, so the same requests meet the same faults. A fault changes a reply or its time, never what the
instrument holds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from random import Random

from simulator.modbus import crc

LATEST_S = 1.0
"""A slow reply is late by up to so many real seconds."""
STUCK_BYTES = 64


class WireFaultKind(StrEnum):
    """Kinds of fault."""

    DROPPED = "dropped"
    """A byte is missing."""
    DOUBLED = "doubled"
    """A byte comes twice."""
    NOISE = "noise"
    """Bytes that nobody sent, before and after the reply."""
    PARTIAL = "partial"
    """The reply ends too early."""
    SLOW = "slow"
    """The reply is late."""
    STUCK = "stuck"
    """The line is held down: zeros come instead."""
    ECHO = "echo"
    """The request comes back before the reply."""
    CHECKSUM = "checksum"
    """The last byte is another."""
    COLLISION = "collision"
    """Two answer at once: bytes are mixed."""
    IMPOSTOR = "impostor"
    """The reply comes from the next address (Modbus RTU)."""
    DEAD = "dead"
    """No reply comes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WireFault:
    """A kind, its probability for each reply, and the address it concerns (the first byte of a request); None: all."""

    kind: WireFaultKind
    chance: float = 1.0
    address: int | None = None


def parse_wire_fault(text: str) -> WireFault:
    """Return what `KIND[:CHANCE][@ADDRESS]` says. Raises ValueError that says what is wrong."""
    rest, _, address = text.partition("@")
    kind, _, chance = rest.partition(":")
    if kind not in set(WireFaultKind):
        raise ValueError(f"{kind!r} is no disturbance; there are: {', '.join(WireFaultKind)}")
    likely = float(chance or 1.0)
    if not 0.0 <= likely <= 1.0:
        raise ValueError(f"{chance} is no chance between 0 and 1")
    return WireFault(kind=WireFaultKind(kind), chance=likely, address=int(address) if address else None)


class WireFaultInjector:
    """Applies faults to replies, each with its own probability."""

    def __init__(self, faults: Sequence[WireFault], *, seed: int) -> None:
        """Bring the same faults to the same requests whenever the seed is the same."""
        self._faults, self._random = faults, Random(seed)  # noqa: S311 -- faults, no secrets

    def apply(self, request: bytes, reply: bytes) -> tuple[bytes, float]:
        """Return what arrives instead of a reply, and how many real seconds late."""
        late_s = 0.0
        for one in self._faults:
            if one.address is not None and request[:1] != bytes([one.address]):
                continue
            if self._random.random() < one.chance:
                late_s += self._random.uniform(0.0, LATEST_S) if one.kind is WireFaultKind.SLOW else 0.0
                reply = self._with_fault(one.kind, request, reply)
        return reply, late_s

    def _with_fault(self, kind: WireFaultKind, request: bytes, reply: bytes) -> bytes:
        at = self._random.randrange(len(reply)) if reply else 0
        before, after = self._random.randbytes(self._random.randint(0, 3)), self._random.randbytes(1)
        other = self._random.randbytes(len(reply))
        arrives = {
            WireFaultKind.DROPPED: reply[:at] + reply[at + 1 :],
            WireFaultKind.DOUBLED: reply[: at + 1] + reply[at:],
            WireFaultKind.NOISE: before + reply + after,
            WireFaultKind.PARTIAL: reply[:at],
            WireFaultKind.SLOW: reply,
            WireFaultKind.STUCK: bytes(STUCK_BYTES),
            WireFaultKind.ECHO: request + reply,
            WireFaultKind.CHECKSUM: reply[:-1] + bytes(byte ^ 0x55 for byte in reply[-1:]),
            WireFaultKind.COLLISION: bytes(ours | theirs for ours, theirs in zip(reply, other, strict=True)),
            WireFaultKind.IMPOSTOR: _readdressed(reply),
            WireFaultKind.DEAD: b"",
        }
        return arrives[kind]


def _readdressed(frame: bytes) -> bytes:
    body = bytes([frame[0] % 247 + 1]) + frame[1:-2] if frame else b""
    return body + crc(body) if body else b""
