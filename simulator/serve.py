"""Serve a run on a wire: answer requests, inject the faults of the wire, execute the commands on standard input.

Law: replies depend on run time and on the commands received; time is an argument. Only the delay of a slow reply is in
real seconds, because the time-outs it is meant to exceed are real.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from simulator.faults import Fault
from simulator.instrument import Reading, SimulatedDevice, garbled
from simulator.noise import Stream
from simulator.operator import OperatorCommandError
from simulator.rig import Rig
from simulator.stdin_lines import StdinLines
from simulator.wire import Wire
from simulator.wire_faults import WireFaultInjector

SLOW_S = 3.0
"""Real seconds that a slow device takes."""
SILENCE_S = 0.05
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


MeasureFunction = Callable[[], Reading | None]


class Server:
    """One run on one wire, or the same run with several seeds, if several probes are on the wire."""

    def __init__(
        self,
        rigs: Sequence[Rig],
        wire: Wire,
        *,
        make_device: Callable[[list[MeasureFunction]], SimulatedDevice],
        fault_injector: WireFaultInjector,
        stdin: StdinLines,
        clock: Clock,
        log: Callable[[str], None],
    ) -> None:
        """`make_device` returns the freshly powered device at this end, given a measure function for each rig.

        `stdin` brings the commands of `simulator.operator`; `log` gets each of them, and when the port goes or is back.
        """
        self._rigs, self._rig, self._wire, self._clock, self._log = rigs, rigs[0], wire, clock, log
        self._make_device, self._fault_injector, self._stdin = make_device, fault_injector, stdin
        self._devices: dict[int, SimulatedDevice] = {}
        self._received_s: dict[int, float] = {}
        self._due: list[tuple[float, int, bytes]] = []
        self._last_s: dict[tuple[int, bytes], float] = {}

    def serve(self, *, opened: Callable[[str], None]) -> None:
        """Serve until a little after the run's end; call `opened` once with the port's name. Raises OSError."""
        try:
            self._wire.plug()
            opened(self._wire.name)
            while self._clock.run_s() < self._rig.run.hours * 3600.0 + GRACE_S * self._clock.speed:
                self.step()
        finally:
            self._wire.unplug()

    def step(self) -> None:
        """Plug or unplug as the run says, execute commands, answer requests, send the replies that are due."""
        self._plug_or_unplug()
        self._execute_stdin()
        for line in self._wire.ready(IDLE_S):
            self._receive(line)
        for line in self._wire.lines():
            if unsolicited := self._device(line).unsolicited(self._clock.run_s()):
                self._answer(line, b"", unsolicited)
        now = self._clock.monotonic()
        for _, line, reply in sorted((entry for entry in self._due if entry[0] <= now), key=lambda entry: entry[0]):
            self._wire.write(line, reply)
        self._due = [entry for entry in self._due if entry[0] > now]

    def _is_active(self, fault: Fault) -> bool:
        return self._rig.is_active(fault, self._clock.run_s())

    def _plug_or_unplug(self) -> None:
        wanted = not self._is_active(Fault.UNPLUGGED)
        if self._wire.plugged and not wanted:
            self._wire.unplug()
            self._devices, self._due = {}, []  # powered by its port
            self._log("the port is unplugged")
        elif wanted and not self._wire.plugged:
            self._wire.plug()
            self._log(f"the port is back: {self._wire.name}")

    def _execute_stdin(self) -> None:
        for command in self._stdin.lines():
            try:
                for rig in self._rigs:
                    rig.execute(command, round(self._clock.run_s()))
            except OperatorCommandError as error:
                self._log(f"error: {error}")
            else:
                self._log(command)

    def _receive(self, line: int) -> None:
        data = self._wire.read(line)
        if not data:
            self._hang_up(line)
            return
        now_s, device = self._clock.monotonic(), self._device(line)
        if now_s - self._received_s.get(line, now_s) > SILENCE_S:
            device.note_silence()
        self._received_s[line] = now_s
        reply = device.receive(data)
        if reply:
            self._answer(line, data, reply)

    def _device(self, line: int) -> SimulatedDevice:
        if line not in self._devices:
            self._devices[line] = self._make_device([partial(self._reading, rig) for rig in self._rigs])
        return self._devices[line]

    def _hang_up(self, line: int) -> None:
        self._wire.hang_up(line)
        self._devices.pop(line, None)
        self._received_s.pop(line, None)
        self._last_s = {key: due_s for key, due_s in self._last_s.items() if key[0] != line}
        self._due = [entry for entry in self._due if entry[1] != line]

    def _answer(self, line: int, request: bytes, reply: bytes) -> None:
        if self._is_active(Fault.GARBLED):
            second = np.array([round(self._clock.run_s())])
            reply = garbled(reply, float(self._rig.noise.normal(Stream.WIRE, second)[0]))
        reply, late_s = self._fault_injector.apply(request, reply)
        late_s += SLOW_S if self._is_active(Fault.SLOW) else 0.0
        # A device answers in order; those on a shared line know nothing of each other.
        device_key = request[:1] if len(self._rigs) > 1 else b""
        before_s = self._last_s.get((line, device_key), 0.0)
        due_s = self._last_s[line, device_key] = max(self._clock.monotonic() + late_s, before_s)
        self._due.append((due_s, line, reply))

    def _reading(self, rig: Rig) -> Reading | None:
        """Return the conversion of this second."""
        if self._is_active(Fault.HARDWARE_ERROR):
            return None
        held = rig.conversions(np.array([round(self._clock.run_s())]))
        return Reading(float(held.potential_mv[0]) / 1000.0, float(held.temperature_c[0]))
