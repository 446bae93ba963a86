"""What goes wrong on a wire between two good ends: bytes that are lost, doubled, changed, late or somebody else's.

Law: chance is seeded, so the same requests meet the same faults. A disturbance changes a reply or its time, never what
the instrument holds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from random import Random

from simulator.modbus import crc

LATEST_S = 1.0
"""A slow reply is late by up to so many real seconds."""
STUCK_BYTES = 64


class Kind(StrEnum):
    """Kinds of disturbance."""

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
    """A kind, how often it strikes, and whom: the first byte of a request on a serial line is an address."""

    kind: Kind
    chance: float = 1.0
    address: int | None = None


def parse(text: str) -> WireFault:
    """Return what `KIND[:CHANCE][@ADDRESS]` says. Raises ValueError that says what is wrong."""
    rest, _, address = text.partition("@")
    kind, _, chance = rest.partition(":")
    if kind not in set(Kind):
        raise ValueError(f"{kind!r} is no disturbance; there are: {', '.join(Kind)}")
    likely = float(chance or 1.0)
    if not 0.0 <= likely <= 1.0:
        raise ValueError(f"{chance} is no chance between 0 and 1")
    return WireFault(kind=Kind(kind), chance=likely, address=int(address) if address else None)


class WireFaultInjector:
    """Applies disturbances to replies, each by its own chance."""

    def __init__(self, disturbances: Sequence[WireFault], *, seed: int) -> None:
        """Bring the same faults to the same requests whenever the seed is the same."""
        self._disturbances, self._random = disturbances, Random(seed)  # noqa: S311 -- faults, no secrets

    def apply(self, request: bytes, reply: bytes) -> tuple[bytes, float]:
        """Return what arrives instead of a reply, and how many real seconds late."""
        late_s = 0.0
        for one in self._disturbances:
            if one.address is not None and request[:1] != bytes([one.address]):
                continue
            if self._random.random() < one.chance:
                late_s += self._random.uniform(0.0, LATEST_S) if one.kind is Kind.SLOW else 0.0
                reply = self._disturbed(one.kind, request, reply)
        return reply, late_s

    def _disturbed(self, kind: Kind, request: bytes, reply: bytes) -> bytes:
        at = self._random.randrange(len(reply)) if reply else 0
        before, after = self._random.randbytes(self._random.randint(0, 3)), self._random.randbytes(1)
        other = self._random.randbytes(len(reply))
        arrives = {
            Kind.DROPPED: reply[:at] + reply[at + 1 :],
            Kind.DOUBLED: reply[: at + 1] + reply[at:],
            Kind.NOISE: before + reply + after,
            Kind.PARTIAL: reply[:at],
            Kind.SLOW: reply,
            Kind.STUCK: bytes(STUCK_BYTES),
            Kind.ECHO: request + reply,
            Kind.CHECKSUM: reply[:-1] + bytes(byte ^ 0x55 for byte in reply[-1:]),
            Kind.COLLISION: bytes(ours | theirs for ours, theirs in zip(reply, other, strict=True)),
            Kind.IMPOSTOR: _readdressed(reply),
            Kind.DEAD: b"",
        }
        return arrives[kind]


def _readdressed(frame: bytes) -> bytes:
    body = bytes([frame[0] % 247 + 1]) + frame[1:-2] if frame else b""
    return body + crc(body) if body else b""
