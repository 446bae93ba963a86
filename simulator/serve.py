"""Serve a run: what the instrument says at each moment, and the faults of its wire.

Law: replies depend on run time and on words that were heard; time is handed in. Only how late a slow reply comes is in
real seconds, because the time-outs it is meant to exceed are real.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from simulator.faults import Fault
from simulator.instrument import Reading, Speaker, garbled
from simulator.noise import Stream
from simulator.operator import WordError
from simulator.rig import Rig
from simulator.stdin_lines import StdinLines
from simulator.wire import Wire
from simulator.wire_faults import WireFaultInjector

SLOW_S = 3.0
"""Real seconds that a slow instrument takes."""
REST_S = 0.05
"""Real seconds without a byte that count as a silence: no terminal shows the few milliseconds of a real line."""
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


Measure = Callable[[], Reading | None]


class Server:
    """One run on one wire, or the same run with several seeds, if several probes are on the wire."""

    def __init__(
        self,
        benches: Sequence[Rig],
        wire: Wire,
        *,
        make: Callable[[list[Measure]], Speaker],
        disturber: WireFaultInjector,
        ears: StdinLines,
        clock: Clock,
        say: Callable[[str], None],
    ) -> None:
        """`make` gives what is at this end of the wire, freshly powered, out of what measures with the benches.

        `ears` hear the words of `simulator.hand`; `say` is told each, and when the port goes or is back.
        """
        self._benches, self._bench, self._wire, self._clock, self._say = benches, benches[0], wire, clock, say
        self._make, self._disturber, self._ears = make, disturber, ears
        self._instruments: dict[int, Speaker] = {}
        self._heard_s: dict[int, float] = {}
        self._due: list[tuple[float, int, bytes]] = []
        self._last_s: dict[tuple[int, bytes], float] = {}

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
                self._answer(line, b"", printed)
        now = self._clock.monotonic()
        for _, line, reply in sorted((entry for entry in self._due if entry[0] <= now), key=lambda entry: entry[0]):
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
                for bench in self._benches:
                    bench.obey(words, round(self._clock.run_s()))
            except WordError as error:
                self._say(f"error: {error}")
            else:
                self._say(words)

    def _hear(self, line: int) -> None:
        data = self._wire.read(line)
        if not data:
            self._hang_up(line)
            return
        now_s, instrument = self._clock.monotonic(), self._instrument(line)
        if now_s - self._heard_s.get(line, now_s) > REST_S:
            instrument.rest()
        self._heard_s[line] = now_s
        reply = instrument.receive(data)
        if reply:
            self._answer(line, data, reply)

    def _instrument(self, line: int) -> Speaker:
        if line not in self._instruments:
            self._instruments[line] = self._make([partial(self._reading, bench) for bench in self._benches])
        return self._instruments[line]

    def _hang_up(self, line: int) -> None:
        self._wire.drop(line)
        self._instruments.pop(line, None)
        self._heard_s.pop(line, None)
        self._last_s = {key: due_s for key, due_s in self._last_s.items() if key[0] != line}
        self._due = [entry for entry in self._due if entry[1] != line]

    def _answer(self, line: int, request: bytes, reply: bytes) -> None:
        if self._stands(Fault.GARBLED):
            second = np.array([round(self._clock.run_s())])
            reply = garbled(reply, float(self._bench.noise.normal(Stream.WIRE, second)[0]))
        reply, late_s = self._disturber.apply(request, reply)
        late_s += SLOW_S if self._stands(Fault.SLOW) else 0.0
        # An instrument answers in order; those on a shared line know nothing of each other.
        speaker = request[:1] if len(self._benches) > 1 else b""
        before_s = self._last_s.get((line, speaker), 0.0)
        due_s = self._last_s[line, speaker] = max(self._clock.monotonic() + late_s, before_s)
        self._due.append((due_s, line, reply))

    def _reading(self, bench: Rig) -> Reading | None:
        """Return the conversion of this second."""
        if self._stands(Fault.HARDWARE_ERROR):
            return None
        held = bench.conversions(np.array([round(self._clock.run_s())]))
        return Reading(float(held.potential_mv[0]) / 1000.0, float(held.temperature_c[0]))
