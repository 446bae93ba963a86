"""Say a night in ten labelled lines, the most important first.

Law: pure; every fact comes from `night.py`. A night is called quiet only where nine of ten readings were believed, as
in the morning summary (`alarm/digest.py`). Nothing is ever called safe.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from textwrap import wrap

from logger.alarm.digest import KNOWN
from logger.report.curve import Curve, CurvePoint, Stretch
from logger.report.local_time import LocalTime
from logger.report.night import AlarmStory, Moment, Night
from logger.report.words import age, counted
from logger.units import SECOND_US

LABEL = 12
MOST = 6
"""So many alarms, marks or stretches are told one by one. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NightPage:
    """How a night is said: by which clock, how wide."""

    clock: LocalTime
    width: int

    def lines(self, night: Night, *, is_over: bool) -> Iterator[str]:
        """Yield the ten lines, folded."""
        frame = night.curve.frame
        so_far = "" if is_over else ", so far"
        yield from wrap(
            f"{frame.name} from {self._day(frame.since_us)} to {self._day(frame.until_us)}{so_far}", self.width
        )
        for label, text in self._rows(night):
            yield from self.row(label, text)

    def row(self, label: str, text: str) -> list[str]:
        """Return a labelled text, folded under itself."""
        indent = " " * (LABEL + 2)
        return wrap(text, self.width, initial_indent=f"  {label:<{LABEL}}", subsequent_indent=indent)

    def _rows(self, night: Night) -> Iterator[tuple[str, str]]:
        curve = night.curve
        yield "Claims", "; ".join(map(self._happened, night.claims)) or "none made, none withdrawn"
        yield "Believed", self.believed(curve)
        yield from self.figures(curve)
        yield "Alarms", self._alarms(night)
        yield "Gaps", self._gaps(curve)
        yield "Done", _listed([self._happened(mark) for mark in night.marks]) or "nothing was marked"
        if night.todo is not None:
            yield "To do", "; ".join(night.todo) or "nothing"
        else:
            yield "To do", "see `vatvigil status`: this night is over for long"

    def figures(self, curve: Curve) -> Iterator[tuple[str, str]]:
        """Yield the newest, the lowest and the highest pH, and the temperature."""
        yield "Newest pH", self._at(curve.newest) or "none was believed"
        yield "Lowest pH", self._at(curve.lowest) or "no ten minutes were believed"
        yield "Highest pH", self._at(curve.highest) or "no ten minutes were believed"
        celsius = [point.value for point in curve.temperature.points]
        yield "Temperature", f"{min(celsius):.1f} to {max(celsius):.1f} C" if celsius else "not known"

    def believed(self, curve: Curve) -> str:
        """Say how much was believed, and why the rest was not."""
        tally = curve.tally
        if not tally.records:
            return "there is no record of this time: did the daemon run?"
        share = f"{tally.believed} of {tally.records} readings ({_per_cent(tally.believed, tally.records)})"
        if curve.not_believed:
            return f"{share}. Not {_listed([self._stretch(one) for one in curve.not_believed], '; not ')}"
        others = ", ".join(f"{why} ({count})" for why, count in tally.against[:2])
        return f"{share}. Now and then: {others}" if others else share

    def _alarms(self, night: Night) -> str:
        if night.alarms:
            return _listed([self._story(one, night) for one in night.alarms])
        tally = night.curve.tally
        if not tally.records or tally.believed < KNOWN * tally.records:
            return "none came; but too little was believed to call the night quiet"
        return "none came: a quiet night"

    def _story(self, one: AlarmStory, night: Night) -> str:
        over = "" if one.returned_us is None else f" to {self._time(one.returned_us)}"
        answer = one.acknowledged and f"acknowledged {self._time(one.acknowledged.at_us)}{_by(one.acknowledged.by)}"
        told = "held in quiet hours, nobody was told" if one.held else self._told(one, night)
        parts = [f"{one.alarm} [{one.priority}] {self._time(one.came_us)}{over}", told, answer or "not acknowledged"]
        return ", ".join(parts)

    def _told(self, one: AlarmStory, night: Night) -> str:
        if not night.ways:
            return "in the journal only, no way out is configured"
        sent = one.sent
        times = {} if sent is None else {"the broker": sent.broker_at_us, "the second way out": sent.hook_at_us}
        took = [f"{way} took it {self._time(at_us)}" for way, at_us in times.items() if at_us is not None]
        return " and ".join(took) or "NOT SENT"

    def _gaps(self, curve: Curve) -> str:
        if not curve.gaps:
            return f"none longer than {age(curve.frame.max_gap_s)}"
        total_s = sum(one.until_us - one.since_us for one in curve.gaps) / SECOND_US
        times = _listed([f"{self._time(one.since_us)} to {self._time(one.until_us)}" for one in curve.gaps], ", ")
        return f"{counted(len(curve.gaps), 'gap')} without a reading, {age(total_s)} in all: {times}"

    def _at(self, point: CurvePoint | None) -> str:
        if point is None:
            return ""
        u = f" +/- {point.expanded_u:.2f} (k = 2)" if point.expanded_u else ""
        return f"{point.value:.2f}{u} at {self._time(point.at_us)}"

    def _stretch(self, one: Stretch) -> str:
        return f"{self._time(one.since_us)} to {self._time(one.until_us)}: {one.why}"

    def _happened(self, moment: Moment) -> str:
        return f"{self._time(moment.at_us)} {moment.what.rstrip('.')}{_by(moment.by)}"

    def _time(self, at_us: int) -> str:
        return f"{self.clock.moment(at_us):%H:%M}"

    def _day(self, at_us: int) -> str:
        moment = self.clock.moment(at_us)
        return f"{moment:%Y-%m-%d %H:%M} {moment.tzname()}"


def _by(person: str) -> str:
    return f" ({person})" if person else ""


def _listed(texts: Sequence[str], between: str = "; ") -> str:
    more = [f"and {len(texts) - MOST} more"] if len(texts) > MOST else []
    return between.join([*texts[:MOST], *more])


def _per_cent(part: int, whole: int) -> str:
    """Return a share in whole per cent; never 100 where something is missing."""
    return f"{100 * part // whole} %"
