"""Serve a run: what the instrument says at each moment, and the faults of its wire.

Law: replies depend on run time and on words that were heard; time is handed in. Only how late a slow reply comes is in
real seconds, because the time-outs it is meant to exceed are real.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from simulator.bench import Bench
from simulator.ears import Ears
from simulator.faults import Fault
from simulator.hand import WordError
from simulator.instrument import Instrument, Reading, Speaker, garbled
from simulator.noise import Stream
from simulator.wire import Wire

SLOW_S = 3.0
"""Real seconds that a slow instrument takes."""
IDLE_S = 0.02
"""How often the run is asked whether the port is plugged: real seconds."""
GRACE_S = 3.0
"""Real seconds after the run's end in which a last poll is still answered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """Run time out of a monotonic clock."""

    monotonic: Callable[[], float]
    origin_s: float
    """What the monotonic clock shows at run time 0."""
    speed: float = 1.0

    def run_s(self) -> float:
        """Return run time in seconds; 0 before the run begins."""
        return max((self.monotonic() - self.origin_s) * self.speed, 0.0)


class Server:
    """One run on one wire."""

    def __init__(
        self,
        bench: Bench,
        wire: Wire,
        *,
        ears: Ears,
        clock: Clock,
        serial: str,
        say: Callable[[str], None],
        speaker: Callable[..., Speaker] = Instrument,
    ) -> None:
        """`ears` hear the words of `simulator.hand`; `say` is told each, and when the port goes or is back.

        `speaker` makes what is at this end of the wire, out of what measures and its serial number.
        """
        self._bench, self._wire, self._clock, self._serial, self._say = bench, wire, clock, serial, say
        self._ears, self._speaker = ears, speaker
        self._instruments: dict[int, Speaker] = {}
        self._due: list[tuple[float, int, bytes]] = []

    def serve(self, *, opened: Callable[[str], None]) -> None:
        """Serve until a little after the run's end; `opened` is told the port's name once. Raises OSError."""
        try:
            self._wire.plug()
            opened(self._wire.name)
            while self._clock.run_s() < self._bench.run.hours * 3600.0 + GRACE_S * self._clock.speed:
                self.step()
        finally:
            self._wire.unplug()

    def step(self) -> None:
        """Plug or unplug as the run says, do what somebody says, answer what has come, send what is due."""
        self._plug_or_unplug()
        self._obey()
        for line in self._wire.ready(IDLE_S):
            self._hear(line)
        for line in self._wire.lines():
            if printed := self._instrument(line).printed(self._clock.run_s()):
                self._answer(line, printed)
        now = self._clock.monotonic()
        for _, line, reply in (entry for entry in self._due if entry[0] <= now):
            self._wire.write(line, reply)
        self._due = [entry for entry in self._due if entry[0] > now]

    def _stands(self, fault: Fault) -> bool:
        return self._bench.stands(fault, self._clock.run_s())

    def _plug_or_unplug(self) -> None:
        wanted = not self._stands(Fault.UNPLUGGED)
        if self._wire.plugged and not wanted:
            self._wire.unplug()
            self._instruments, self._due = {}, []  # powered by its port
            self._say("the port is unplugged")
        elif wanted and not self._wire.plugged:
            self._wire.plug()
            self._say(f"the port is back: {self._wire.name}")

    def _obey(self) -> None:
        for words in self._ears.lines():
            try:
                self._bench.obey(words, round(self._clock.run_s()))
            except WordError as error:
                self._say(f"error: {error}")
            else:
                self._say(words)

    def _hear(self, line: int) -> None:
        data = self._wire.read(line)
        if not data:
            self._hang_up(line)
            return
        reply = self._instrument(line).receive(data)
        if reply:
            self._answer(line, reply)

    def _instrument(self, line: int) -> Speaker:
        if line not in self._instruments:
            self._instruments[line] = self._speaker(self._reading, serial=self._serial)
        return self._instruments[line]

    def _hang_up(self, line: int) -> None:
        self._wire.drop(line)
        self._instruments.pop(line, None)
        self._due = [entry for entry in self._due if entry[1] != line]

    def _answer(self, line: int, reply: bytes) -> None:
        if self._stands(Fault.GARBLED):
            second = np.array([round(self._clock.run_s())])
            reply = garbled(reply, float(self._bench.noise.normal(Stream.WIRE, second)[0]))
        late_s = SLOW_S if self._stands(Fault.SLOW) else 0.0
        self._due.append((self._clock.monotonic() + late_s, line, reply))

    def _reading(self) -> Reading | None:
        """Return the conversion of this second."""
        if self._stands(Fault.HARDWARE_ERROR):
            return None
        held = self._bench.conversions(np.array([round(self._clock.run_s())]))
        return Reading(float(held.potential_mv[0]) / 1000.0, float(held.temperature_c[0]))
