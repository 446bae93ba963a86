"""Say when a batch comes to its target, in half-hours, by the clock of the house.

Law: pure; ends of an interval are rounded outwards, its middle to the nearest. What was forecast is said as it was at
its window, never counted anew. No word of safety, and no probability beyond those that the interval knows.
"""

from zoneinfo import ZoneInfo

from logger.alarm.quiet_hours import local
from logger.config import PeopleConfig, VatConfig
from logger.measure.forecast_ratios import LEAST, MOST, own_ratios
from logger.model import BatchOutlook, Carry, ForecastState, Foresight
from logger.units import MINUTE_US
from logger.watch.forecasting import due_h

HALF_HOUR_US = 30 * MINUTE_US
UNPROVEN = "not yet proven on your vats"
_LIKELY, _UNLIKELY = 0.7, 0.3


def sentence(vat: VatConfig, carry: Carry) -> str | None:
    """Say what is forecast of a vat; None: no batch with a target is under way."""
    state, outlook = carry.forecast, carry.forecast.outlook
    if state.has_reached and state.started_us is not None:
        return "the reading has been at the target"
    if outlook is None:
        return None
    return "; ".join([_when(outlook, vat.people), *_deadline(vat, outlook), *_proof(outlook, state)])


def _when(outlook: BatchOutlook, people: PeopleConfig) -> str:
    if outlook.foresight is Foresight.SILENT or outlook.low_us is None:
        return "none: no reading can be believed for long enough, or pH rises"
    low = _clock(outlook.low_us // HALF_HOUR_US, people)
    if outlook.middle_us is None or outlook.high_us is None:
        if outlook.foresight is Foresight.TOO_EARLY:
            return f"too early to tell, but hardly before {low}"
        return f"cannot be told to two days, but hardly before {low}; it may not get there"
    middle = _clock((outlook.middle_us + HALF_HOUR_US // 2) // HALF_HOUR_US, people)
    return f"about {middle} ({low} to {_clock(-(-outlook.high_us // HALF_HOUR_US), people)}, 90 %)"


def _clock(half_hours: int, people: PeopleConfig) -> str:
    return f"{local(half_hours * HALF_HOUR_US, ZoneInfo(people.zone)):%a %H:%M}"


def _deadline(vat: VatConfig, outlook: BatchOutlook) -> list[str]:
    hours, missed = due_h(vat), outlook.missed
    if hours is None or missed is None or (outlook.is_at_least and missed < _LIKELY):
        return []
    how = "likely missed" if missed > _LIKELY else "likely met" if missed < _UNLIKELY else "met or missed, about even"
    return [f"the deadline of {hours:g} h is {how} (missed: {_per_cent(missed, is_at_least=outlook.is_at_least)})"]


def _per_cent(missed: float, *, is_at_least: bool) -> str:
    if missed <= LEAST:
        return f"{100 * LEAST:.0f} % or less"
    return f"{100 * missed:.0f} %{' or more' if missed >= MOST or is_at_least else ''}"


def _proof(outlook: BatchOutlook, state: ForecastState) -> list[str]:
    if outlook.foresight is not Foresight.TOLD:
        return []
    return [proof(state)]


def proof(state: ForecastState) -> str:
    """Say what stands behind an interval: how many past ones held, once enough batches have ended."""
    if own_ratios(state.ended) is None:
        return UNPROVEN
    held, made = sum(batch.held for batch in state.ended), sum(len(batch.ratios) for batch in state.ended)
    return f"{held} of {made} past intervals held"
