"""Say a night for scripts. Law: the same facts as on the page; times are RFC 3339 in UTC, pH to four decimals."""

from collections.abc import Mapping
from typing import Any

from logger.measure.windows import COVERAGE
from logger.report.curve import CurvePoint, Stretch
from logger.report.night import AlarmSummary, Night, NightEvent
from logger.report.words import moment


def facts(night: Night) -> Mapping[str, Any]:
    """Return the facts of a night, without the points of its picture (`vatvigil export` has every record)."""
    curve = night.curve
    celsius = [point.value for point in curve.temperature.points]
    return {
        "vat": curve.frame.vat,
        "name": curve.frame.name,
        "probe": curve.frame.probe,
        "from": moment(curve.frame.since_us),
        "to": moment(curve.frame.until_us),
        "elsewhere": [*curve.frame.elsewhere],
        "claims": [*map(_happened, night.claims)],
        "records": curve.counts.records,
        "believed": curve.counts.believed,
        "against": [{"why": why, "records": count} for why, count in curve.counts.against],
        "not_believed": [*map(_stretch, curve.not_believed)],
        "newest": _point(curve.newest),
        "lowest": _point(curve.lowest),
        "highest": _point(curve.highest),
        "lowest_temperature_c": min(celsius, default=None),
        "highest_temperature_c": max(celsius, default=None),
        "alarms": [*map(_alarm, night.alarms)],
        "gaps": [*map(_stretch, curve.gaps)],
        "done": [*map(_happened, night.marks)],
        "todo": None if night.todo is None else [*night.todo],
    }


def _point(point: CurvePoint | None) -> Mapping[str, object] | None:
    if point is None:
        return None
    u = round(point.expanded_u, 4) or None
    return {
        "at": moment(point.at_us),
        "ph": round(point.value, 4),
        "expanded_uncertainty_ph": u,
        "coverage_factor": COVERAGE,
    }


def _stretch(one: Stretch) -> Mapping[str, str]:
    return {"from": moment(one.since_us), "to": moment(one.until_us), **({"why": one.why} if one.why else {})}


def _happened(one: NightEvent) -> Mapping[str, str]:
    return {"at": moment(one.at_us), "what": one.what, "by": one.by}


def _alarm(one: AlarmSummary) -> Mapping[str, object]:
    answer = one.acknowledged
    return {
        "alarm": one.alarm,
        "priority": one.priority,
        "came": moment(one.came_us),
        "returned": None if one.returned_us is None else moment(one.returned_us),
        "held": one.held,
        "sent": [{"way": sent.way, "at": moment(sent.at_us)} for sent in one.sent],
        "acknowledged": answer and _happened(answer),
        "text": one.text,
    }
