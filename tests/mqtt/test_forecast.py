"""The forecast's message and entity: against their schemas (jsonschema)."""

from typing import Any

from logger.config import TargetConfig
from logger.model import BatchEnded, BatchOutlook, Carry, ForecastState, Foresight
from logger.mqtt import discovery
from logger.mqtt.forecast import LONGEST, forecast_message
from logger.structs import replace
from logger.units import HOUR_US, MINUTE_US
from tests.mqtt.factories import CONFIG, MARROW, TOPICS, read_payload
from tests.mqtt.test_discovery import FRAME
from tests.series import EPOCH_US

VAT = replace(MARROW, target=TargetConfig())
TOLD = BatchOutlook(
    foresight=Foresight.TOLD,
    at_us=EPOCH_US,
    low_us=EPOCH_US + 4 * HOUR_US + 29 * MINUTE_US,
    middle_us=EPOCH_US + 8 * HOUR_US + 16 * MINUTE_US,
    high_us=EPOCH_US + 14 * HOUR_US + 1 * MINUTE_US,
    missed=0.123,
)


def sent(outlook: BatchOutlook | None, **state: Any) -> dict[str, Any]:  # noqa: ANN401 - fields of it
    carry = Carry(probe=MARROW.probe, forecast=ForecastState(outlook=outlook, **state))
    message = forecast_message(TOPICS, VAT, carry)
    assert message is not None
    assert (message.topic, message.retain) == ("vatvigil/vat/marrow/forecast", True)
    return read_payload(message.payload, "forecast")


def test_times_are_half_hours_and_the_ends_lie_outward() -> None:
    content = sent(TOLD)
    times = [content[name][11:16] for name in ("low_at", "middle_at", "high_at")]
    assert times == ["22:00", "02:30", "08:30"]
    assert content["text"].startswith("about Wed 02:30 (Tue 22:00 to Wed 08:30, 90 %)")
    assert content["deadline_missed"] == 0.12


def test_it_says_that_it_is_not_proven_until_enough_batches_have_ended() -> None:
    assert sent(TOLD)["proof"] == "not yet proven on your vats"
    ended = tuple(BatchEnded(ratios=(1.0, 1.1, 0.9), held=3 - number % 2) for number in range(8))
    assert sent(TOLD, ended=ended)["proof"] == "20 of 24 past intervals held"


def test_without_a_batch_it_says_none_and_without_a_target_nothing() -> None:
    content = sent(None)
    assert (content["text"], content["foresight"], content["middle_at"]) == ("none", None, None)
    assert forecast_message(TOPICS, MARROW, Carry(probe=MARROW.probe)) is None


def test_the_longest_sentence_is_short_enough_for_the_hub() -> None:
    wide = replace(TOLD, foresight=Foresight.TOO_WIDE, middle_us=None, high_us=None, missed=0.95)
    early = replace(wide, foresight=Foresight.TOO_EARLY, is_at_least=True)
    silent = BatchOutlook(foresight=Foresight.SILENT, at_us=EPOCH_US)
    assert max(len(sent(outlook)["text"]) for outlook in (TOLD, wide, early, silent)) < LONGEST


def test_a_vat_with_a_target_has_one_entity_more() -> None:
    with_target = replace(CONFIG, vats=(VAT,))
    topics = {message.topic for message in discovery.announcements(with_target, FRAME, occurrences={})}
    without = {message.topic for message in discovery.announcements(CONFIG, FRAME, occurrences={})}
    assert [topic for topic in topics - without if "forecast" in topic] == [
        "homeassistant/sensor/vatvigil_marrow_forecast/config"
    ]
