"""A person, an electrode and some glasses: sessions driven by events alone, at one reading a second."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import constants

from logger.config import ProbeConfig
from logger.guided import calibrating, state_machine
from logger.guided.calibrating import CalibrationPlan
from logger.guided.immersion import BuffersAtHand, ProbeReading
from logger.guided.state_machine import GuidedEvent, GuidedState, KeyPressed, ResultKept, Stage, Task, TimePassed
from logger.measure.buffers import BUFFERS
from logger.model import Calibration, CalibrationPoint, Reason
from logger.structs import replace

SECOND_US = 1_000_000
BEGIN_US = 1_795_543_200 * SECOND_US
TABLE = tuple(BUFFERS[name] for name in ("gbt-phthalate", "gbt-phosphate", "gbt-borax"))
PH = {"gbt-phthalate": 4.003, "gbt-phosphate": 6.864, "gbt-borax": 9.182}
"""GB/T 27501 at 25 C, as printed."""
PROBE = ProbeConfig(id="marrow-probe", port="", electrode="E-17")


def potential_mv(ph: float, celsius: float = 25.0, *, slope: float = 0.98, offset_mv: float = 5.0) -> float:
    """Return what an electrode gives; the constants are SciPy's (CODATA)."""
    kelvin = constants.convert_temperature(celsius, "Celsius", "Kelvin")
    nernst = 1000 * constants.R * kelvin * np.log(10) / constants.value("Faraday constant")
    return float(offset_mv + slope * nernst * (7 - ph))


def calibration(*, slope: float = 0.98, offset_mv: float = 5.0, at_us: int = BEGIN_US) -> Calibration:
    """Return the calibration of a noiseless electrode in the three buffers."""
    from logger.measure.calibration import fit  # noqa: PLC0415 - only some tests want it

    points = [
        CalibrationPoint(
            buffer_ph=ph,
            potential_mv=potential_mv(ph, slope=slope, offset_mv=offset_mv),
            temperature_c=25.0,
            buffer=name,
        )
        for name, ph in PH.items()
    ]
    return replace(fit(points, probe=PROBE.id, at_us=at_us, by="tova", electrode="E-17"), id=7)


def task(*, in_force: Calibration | None = None, order: CalibrationPlan | None = None, **more: object) -> Task:
    """Return the task of calibrating in three buffers."""
    order = order or CalibrationPlan(probe=PROBE, by="tova", buffers=TABLE, in_force=in_force)
    made = Task(
        vat="marrow",
        table=BuffersAtHand(buffers=TABLE, in_force=in_force),
        wanted=len(TABLE),
        conclude=lambda taken: calibrating.conclusion(order, taken),
        time_out_s=180.0,
        spread_c=3.0,
    )
    return replace(made, **more)  # type: ignore[arg-type]


@dataclass
class Person:
    """Drives a session and remembers what was said."""

    task: Task
    slope: float = 0.98
    offset_mv: float = 5.0
    noise_mv: float = 0.1
    tau_s: float = 12.0
    state: GuidedState = field(default_factory=GuidedState)
    said: list[str] = field(default_factory=list)
    second: int = 0
    at_mv: float = 0.0

    @property
    def now_us(self) -> int:
        """Steady time."""
        return self.second * SECOND_US

    @property
    def words(self) -> str:
        """All that was said, in one line."""
        return " ".join(" ".join(self.said).split())

    def happens(self, event: GuidedEvent) -> None:
        """Let something happen."""
        self.state, said = state_machine.step(self.task, self.state, event, now_us=self.now_us)
        self.said += said

    def press(self, answer: str = "") -> None:
        """Press a key; nothing: Enter."""
        self.happens(KeyPressed(answer))

    def wait(self, ph: float, seconds: int = 150, *, celsius: float = 25.0) -> None:
        """Let the electrode stand in a glass of this pH; it settles from where it was."""
        noise = np.random.default_rng(self.second + 1).normal(0.0, self.noise_mv, seconds)
        target = potential_mv(ph, celsius, slope=self.slope, offset_mv=self.offset_mv)
        for k in range(seconds):
            self.second += 1
            mv = target + (self.at_mv - target) * np.exp(-k / self.tau_s) + noise[k]
            self.happens(self.reading(float(mv), celsius))
        self.at_mv = float(target + (self.at_mv - target) * np.exp(-seconds / self.tau_s))

    def reading(self, mv: float, celsius: float, reason: Reason = Reason.NONE) -> ProbeReading:
        """Return one reading of this second."""
        at_us = BEGIN_US + self.now_us
        return ProbeReading(at_us=at_us, elapsed_us=self.now_us, potential_mv=mv, temperature_c=celsius, reason=reason)

    def silence(self, seconds: int) -> None:
        """Let a probe that does not answer stand there."""
        for _ in range(seconds):
            self.second += 1
            self.happens(self.reading(float("nan"), float("nan"), Reason.TIMEOUT))

    def pass_time(self, seconds: int) -> None:
        """Let time pass without any reading."""
        self.second += seconds
        self.happens(TimePassed())

    def take(self, ph: float, *, celsius: float = 25.0) -> None:
        """Go through one glass as it should be."""
        self.press()
        self.wait(ph, celsius=celsius)
        self.press()

    def take_all(self, glasses: Sequence[float] = tuple(PH.values()), *, celsius: float = 25.0) -> None:
        """Go through glasses of these pH."""
        for ph in glasses:
            self.take(ph, celsius=celsius)

    def keep(self) -> None:
        """Do what whoever drives a session does at KEEP."""
        assert self.state.stage is Stage.KEEP
        self.happens(ResultKept(("kept",)))
