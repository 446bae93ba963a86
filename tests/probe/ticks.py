"""A line that is asked tick by tick."""

from logger.config import ProbeConfig
from logger.model import Indication
from logger.probe.port import Line

TIMEOUT_S = 0.15


class Ticks:
    """A line and its probe; each call is one tick, ten seconds of watch time after the last."""

    def __init__(self, port: str, *, identity: str | None = None, simulated: bool = False) -> None:
        self.probe = ProbeConfig(id="p1", port=port, timeout_s=TIMEOUT_S, identity=identity)
        self.line = Line(port, baud=9600, simulated=simulated)
        self.elapsed_us = 0

    def __call__(self, *, step_s: float = 10.0) -> Indication:
        self.elapsed_us += round(step_s * 1e6)
        return self.line.read(self.probe, at_us=1_000 + self.elapsed_us, elapsed_us=self.elapsed_us)
