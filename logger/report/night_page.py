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
from logger.report.night import AlarmSummary, Night, NightEvent
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
    has_days: bool = False
    """Times with their day: the span is longer than a night."""

    def lines(self, night: Night, *, is_over: bool) -> Iterator[str]:
        """Yield the ten lines, folded."""
        yield from wrap(f"{self.title(night.curve)}{'' if is_over else ', so far'}", self.width)
        for label, texts in self.rows_of(night):
            yield from self.rows(label, texts)

    def about(self, curve: Curve) -> Iterator[str]:
        """Yield what is said above the picture of any span."""
        yield from wrap(self.title(curve), self.width)
        for label, texts in self.facts(curve):
            yield from self.rows(label, texts)

    def facts(self, curve: Curve) -> Iterator[tuple[str, Sequence[str]]]:
        """Yield what a picture shows, in words: what was believed, its figures, its gaps."""
        yield from self._elsewhere(curve)
        yield "Believed", [*self.believed(curve)]
        yield from self.figures(curve)
        yield "Gaps", [self._gaps(curve)]

    def _elsewhere(self, curve: Curve) -> Iterator[tuple[str, Sequence[str]]]:
        """Say where that is which the store does not hold any more."""
        if curve.frame.elsewhere:
            yield "Archived", curve.frame.elsewhere

    def rows(self, label: str, texts: Sequence[str]) -> Iterator[str]:
        """Yield labelled texts, each folded under itself."""
        indent = " " * (LABEL + 2)
        for number, text in enumerate(texts):
            first = f"  {'' if number else label:<{LABEL}}"
            yield from wrap(
                text,
                self.width,
                initial_indent=first,
                subsequent_indent=indent,
                break_long_words=False,  # the path of a file is copied
                break_on_hyphens=False,
            )

    def rows_of(self, night: Night) -> Iterator[tuple[str, Sequence[str]]]:
        """Yield what is said of a night, each label with its texts."""
        curve = night.curve
        yield from self._elsewhere(curve)
        none = "none is here" if curve.frame.elsewhere else ""
        yield "Claims", [*map(self._happened, night.claims)] or [none or "none made, none withdrawn"]
        yield "Believed", [*self.believed(curve)]
        yield from self.figures(curve)
        yield "Alarms", [*self._alarms(night)]
        yield "Gaps", [self._gaps(curve)]
        yield "Done", _most([self._happened(mark) for mark in night.marks]) or [none or "nothing was marked"]
        if night.todo is not None:
            yield "To do", ["; ".join(night.todo) or "nothing"]
        else:
            yield "To do", ["`vatvigil status` says it: this night was over long ago"]

    def figures(self, curve: Curve) -> Iterator[tuple[str, Sequence[str]]]:
        """Yield the last pH, the lowest and the highest (of medians: the last may lie outside), and the temperature."""
        yield "Last pH", [self._at(curve.newest) or "none was believed"]
        for name, point in (("Lowest pH", curve.lowest), ("Highest pH", curve.highest)):
            at = self._at(point)
            yield name, [f"{at}, median of ten minutes" if at else "no ten minutes were believed"]
        celsius = [point.value for point in curve.temperature.points]
        yield "Temperature", [f"{min(celsius):.1f} to {max(celsius):.1f} C" if celsius else "not known"]

    def believed(self, curve: Curve) -> Iterator[str]:
        """Say how much was believed, and why the rest was not."""
        counts = curve.counts
        if not counts.records:
            is_moved = bool(curve.frame.elsewhere)
            yield (
                "no record of this time is here" if is_moved else "there is no record of this time: did the daemon run?"
            )
            return
        yield f"{counts.believed} of {counts.records} readings ({100 * counts.believed // counts.records} %)"
        yield from _most([f"not {self._stretch(one)}" for one in curve.not_believed])
        others = ", ".join(f"{why} ({count})" for why, count in counts.against[:2])
        if others and not curve.not_believed:
            yield f"now and then not: {others}"

    def _alarms(self, night: Night) -> Iterator[str]:
        counts = night.curve.counts
        if night.alarms:
            yield from _most([self._summary(one, night) for one in night.alarms])
            yield from [] if night.ways else ["Nobody was told: neither a broker nor another way out is configured."]
        elif night.curve.frame.elsewhere:
            yield "none is here"
        elif not counts.records or counts.believed < KNOWN * counts.records:
            yield "none came; but too little was believed to call the night quiet"
        else:
            yield "none came: a quiet night"

    def _summary(self, one: AlarmSummary, night: Night) -> str:
        over = "" if one.returned_us is None else f" to {self._time(one.returned_us)}"
        told = "held in quiet hours, nobody was told" if one.held else self._told(one, night)
        answer = one.acknowledged
        known = "not acknowledged" if answer is None else f"acknowledged {self._time(answer.at_us)}{_by(answer.by)}"
        return ", ".join(filter(None, [f"{self._time(one.came_us)}{over} {one.alarm} [{one.priority}]", told, known]))

    def _told(self, one: AlarmSummary, night: Night) -> str:
        if not night.ways:
            return ""
        return " and ".join(f"{sent.way} took it {self._time(sent.at_us)}" for sent in one.sent) or "NOT SENT"

    def _gaps(self, curve: Curve) -> str:
        if not curve.gaps:
            return f"none longer than {age(curve.frame.max_gap_s)}"
        total_s = sum(one.until_us - one.since_us for one in curve.gaps) / SECOND_US
        times = ", ".join(_most([f"{self._time(one.since_us)} to {self._time(one.until_us)}" for one in curve.gaps]))
        here = "here " if curve.frame.elsewhere else ""
        return f"{here}{counted(len(curve.gaps), 'gap')} without a reading, {age(total_s)} in all: {times}"

    def _at(self, point: CurvePoint | None) -> str:
        if point is None:
            return ""
        u = f" +/- {point.expanded_u:.2f} (k = 2)" if point.expanded_u else ""
        return f"{point.value:.2f}{u} at {self._time(point.at_us)}"

    def _stretch(self, one: Stretch) -> str:
        return f"{self._time(one.since_us)} to {self._time(one.until_us)}: {one.why}"

    def _happened(self, event: NightEvent) -> str:
        return f"{self._time(event.at_us)} {event.what.rstrip('.')}{_by(event.by)}"

    def title(self, curve: Curve) -> str:
        """Return of which vat and span this is."""
        frame = curve.frame
        return f"{frame.name}, {self._day(frame.since_us)} to {self._day(frame.until_us)}"

    def _time(self, at_us: int) -> str:
        return f"{self.clock.moment(at_us):{'%d %b %H:%M' if self.has_days else '%H:%M'}}"

    def _day(self, at_us: int) -> str:
        moment = self.clock.moment(at_us)
        return f"{moment:%Y-%m-%d %H:%M} {moment.tzname()}"


def _by(person: str) -> str:
    return f" ({person})" if person else ""


def _most(texts: Sequence[str]) -> list[str]:
    more = [f"and {len(texts) - MOST} more"] if len(texts) > MOST else []
    return [*texts[:MOST], *more]
