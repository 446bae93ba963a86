"""A probe that is asked tick by tick."""

from logger.config import ProbeConfig
from logger.model import Indication, Reason
from logger.probe.reader import Reader, reader

TIMEOUT_S = 0.15


class Ticks:
    """What reads a probe; each call is one tick, ten seconds of watch time after the last."""

    def __init__(self, port: str, *, simulated: bool = False, **more: object) -> None:
        probe = ProbeConfig(id="p1", port=port, **{"timeout_s": TIMEOUT_S, **more})  # type: ignore[arg-type]
        self.reader: Reader = reader(probe, simulated=simulated)
        self.elapsed_us = 0

    def __call__(self, *, step_s: float = 10.0) -> Indication:
        self.elapsed_us += round(step_s * 1e6)
        return self.reader.read(at_us=1_000 + self.elapsed_us, elapsed_us=self.elapsed_us)


def values(indication: Indication) -> tuple[float | None, float | None, Reason]:
    potential = None if indication.potential_mv is None else round(indication.potential_mv, 6)
    return potential, indication.temperature_c, indication.reason


GOOD = (171.2, 20.1, Reason.NONE)


def missing(reason: Reason) -> tuple[None, None, Reason]:
    return None, None, reason
