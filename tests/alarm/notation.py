"""Scripted series in the manner of Prometheus' rule tests: `7.0x2 7.3x6 _x3` is 7.0 twice, 7.3 six times, 3 missing.

(There, `7.0x2` is a first value and two repetitions; here a number says how many there are.)
"""

from collections.abc import Sequence
from dataclasses import dataclass

from logger.config import AlarmConfig
from logger.model import Answer, Block, Carry, Command, CommandKind, Entry, Measurements
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.series import EPOCH_US, calibrate, of_ph, watch


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """What became of a series: told as lines, and the rows and entries behind them."""

    rows: Measurements
    entries: tuple[Entry, ...]
    answers: tuple[Answer, ...]
    carry: Carry

    def told(self) -> list[str]:
        """Each entry of an alarm as `record alarm: cause, state shown`, `!` and the occurrence where it annunciates."""
        return [_line(entry) for entry in self.entries if entry.alarm and entry.after]

    def of(self, alarm: str) -> list[Entry]:
        return [entry for entry in self.entries if entry.alarm == alarm]

    def annunciated(self) -> list[tuple[int, str, int | None]]:
        """Record, alarm and occurrence of each annunciation."""
        return [(entry.seq, entry.alarm, entry.occurrence) for entry in self.entries if entry.annunciates]


def _line(entry: Entry) -> str:
    loud = f" !{entry.occurrence}" if entry.annunciates else ""
    return f"{entry.seq} {entry.alarm}: {entry.cause}, {entry.after}{loud}"


def values(text: str) -> list[float | None]:
    """Spell a scripted series out."""
    spelled: list[float | None] = []
    for word in text.split():
        value, _, times = word.partition("x")
        spelled += [None if value == "_" else float(value)] * int(times or 1)
    return spelled


def ask(seq: int, kind: CommandKind, alarm: str = "", **more: object) -> Command:
    """Return a command applied before record `seq`."""
    return Command(id=seq, at_us=EPOCH_US, kind=kind, vat="vat", alarm=alarm, by="tester", seq=seq, **more)  # type: ignore[arg-type]


def mark(seq: int, note: str, duration_s: float | None = None) -> Command:
    return ask(seq, CommandKind.MARK, note=note, duration_s=duration_s)


def carried(watched: Watch, rows: Block, commands: Sequence[Command]) -> Night:
    _, outcome = pipeline.step(watched, pipeline.fresh(watched), rows, commands=commands)
    return Night(rows=outcome.measurements, entries=outcome.entries, answers=outcome.answers, carry=outcome.carry)


def night(text: str, *alarms: AlarmConfig, commands: Sequence[Command] = (), calibrated: bool = True) -> Night:
    """Carry a watch over pH values, one every 10 s, from nothing but a calibration made before."""
    first = [calibrate()] if calibrated else []
    return carried(watch(*alarms), of_ph(values(text)), [*first, *commands])
