"""Report what is forecast of a vat, for `vatvigil status`. Law: reads only; times are RFC 3339 in UTC."""

from dataclasses import dataclass

from logger.config import VatConfig
from logger.model import Carry
from logger.report.words import moment
from logger.watch import forecast_words


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastStatus:
    """What was forecast at the newest window: when pH comes to the target."""

    foresight: str | None
    """None: the reading has been at the target."""
    at: str | None
    low_at: str | None
    middle_at: str | None
    high_at: str | None
    deadline_missed: float | None
    is_at_least: bool
    text: str


def forecast_status(vat: VatConfig, carry: Carry) -> ForecastStatus | None:
    """Return what is forecast; None: no batch with a target is under way."""
    text, outlook = forecast_words.sentence(vat, carry), carry.forecast.outlook
    if text is None:
        return None
    if outlook is None:
        ends = dict.fromkeys(("foresight", "at", "low_at", "middle_at", "high_at", "deadline_missed"))
        return ForecastStatus(**ends, is_at_least=False, text=text)
    low, middle, high = (
        None if each is None else moment(each) for each in (outlook.low_us, outlook.middle_us, outlook.high_us)
    )
    return ForecastStatus(
        foresight=str(outlook.foresight),
        at=moment(outlook.at_us),
        low_at=low,
        middle_at=middle,
        high_at=high,
        deadline_missed=None if outlook.missed is None else round(outlook.missed, 2),
        is_at_least=outlook.is_at_least,
        text=text,
    )
