"""Read one probe on its port: one indication a tick; and group probes that share a port.

Law: `read` answers every tick within a time limit, with values or with the reason why not; it never raises for what
ports and instruments do. On a shared line an instrument that stays silent is asked less and less often, so that it
costs the others little beyond its own time limit; its ticks are missing records all the same. One that answers, however
badly, is asked every time.

A thermometer that fails leaves the potential in the log; without a temperature no pH is claimed, and `blind` says so.
"""

from collections.abc import Iterable
from typing import Final

from logger.config import ProbeConfig
from logger.model import Indication, Reason
from logger.probe.conversation import Conversation, Missing, Values
from logger.probe.port import Port
from logger.probe.protocols import conversation_with
from logger.probe.wire import FAILURES, Wire

LONGEST_REST_S: Final = 30.0
"""Longest time between requests to a silent instrument on a shared line. Common practice, no source."""


class Reader:
    """Reads one probe, tick by tick. Not shared between threads; readers of one port are used by one thread."""

    def __init__(self, port: Port, conversation: Conversation, *, is_shared: bool = False) -> None:
        """`is_shared` tells whether other probes are behind this port."""
        self.probe = conversation.probe
        self.detail = ""
        """What was missing in the last `read` and why, one sentence; empty: nothing."""
        self._port, self._conversation, self._is_shared = port, conversation, is_shared
        self._wire: Wire | None = None
        self._silences, self._rest = 0, 0

    @property
    def port(self) -> str:
        """Return the port's path or URL."""
        return self._port.port

    @property
    def identity(self) -> str:
        """Return the newest identity that the instrument reported."""
        return self._conversation.identity

    def read(self, *, at_us: int, elapsed_us: int) -> Indication:
        """Return the probe's potential (mV) and temperature (C) now, or a missing indication with its reason.

        A thermometer that has no value (open, short) leaves the temperature None beside a potential.
        """
        values, reason = Values(potential_mv=None, temperature_c=None), Reason.NONE
        self._port.note_tick(self.probe.id, at_us=at_us, elapsed_us=elapsed_us, simulated=self._conversation.simulated)
        try:
            values = self._tick(elapsed_us)
            self.detail = f"{self.port}: {values.detail}" if values.detail else ""
        except Missing as missing:
            reason = missing.reason
            self.detail = f"{self.port}: {missing}"
        return Indication(
            probe=self.probe.id,
            at_us=at_us,
            elapsed_us=elapsed_us,
            potential_mv=values.potential_mv,
            temperature_c=values.temperature_c,
            reason=reason,
        )

    def close(self) -> None:
        """Close the port; the next `read` opens it again."""
        self._port.close()

    def _tick(self, elapsed_us: int) -> Values:
        wire = self._port.wire(elapsed_us)
        try:
            if wire is not self._wire:
                self._wire = wire
                self._silences, self._rest = 0, 0
                self._conversation.begin(wire)
            values = self._ask()
        except FAILURES as error:
            raise self._port.give_up(error, elapsed_us) from error
        except Missing:
            self._port.note_success()
            raise
        self._port.note_success()
        return values

    def _ask(self) -> Values:
        if self._rest:
            self._rest -= 1
            raise Missing(Reason.TIMEOUT, f"no reply to the last {self._silences} requests; it is asked less often")
        try:
            values = self._conversation.tick()
        except Missing as missing:
            self._pause(is_silent=missing.reason is Reason.TIMEOUT)
            raise
        self._pause(is_silent=False)
        return values

    def _pause(self, *, is_silent: bool) -> None:
        """Decide how many ticks pass before the next request: none, one, three and so on, up to a limit."""
        self._silences = self._silences + 1 if is_silent else 0
        if self._is_shared and self._silences:
            longest = int(LONGEST_REST_S / self.probe.poll_s)
            self._rest = min(2 ** min(self._silences - 1, 16) - 1, longest)


def reader(probe: ProbeConfig, *, simulated: bool) -> Reader:
    """Return the reader of one probe alone, whatever else is behind its port."""
    return Reader(Port(probe), conversation_with(probe, simulated=simulated))


def readers(probes: Iterable[ProbeConfig], *, simulated: bool) -> list[list[Reader]]:
    """Return the readers of all probes, one list a port; `settings.checks` has refused what cannot share one."""
    ports: dict[str, list[ProbeConfig]] = {}
    for probe in probes:
        ports.setdefault(probe.port, []).append(probe)
    return [_readers(shared, simulated=simulated) for shared in ports.values()]


def _readers(probes: list[ProbeConfig], *, simulated: bool) -> list[Reader]:
    port = Port(probes[0])
    conversations = [conversation_with(probe, simulated=simulated) for probe in probes]
    return [Reader(port, each, is_shared=len(conversations) > 1) for each in conversations]
