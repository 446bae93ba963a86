"""The target's message and entities: against their schemas (jsonschema), through the pipeline that makes the claim."""

import json

import jsonschema
import pytest

from logger.config import AlarmConfig, AlarmKind, TargetConfig
from logger.measure.target_standing import TargetState, standing
from logger.model import BatchState, Carry, WatchState
from logger.mqtt import discovery
from logger.mqtt.schemas import schema
from logger.mqtt.target import target_message
from logger.structs import replace
from tests.mqtt.factories import CONFIG, MARROW, TOPICS
from tests.mqtt.test_discovery import FRAME
from tests.series import EPOCH_US, spot
from tests.watch.test_target import DEADLINE, TARGET, checked, over, watched

VAT = watched().vat


def message(state: WatchState) -> dict[str, object]:
    made = target_message(TOPICS, VAT, state.carry, at_us=state.carry.reported.record_at_us or EPOCH_US)
    assert made is not None
    assert (made.topic, made.retain) == ("vatvigil/vat/vat/target", True)
    content: dict[str, object] = json.loads(made.payload)
    jsonschema.Draft202012Validator(schema("target")).validate(content)
    return content


def test_a_reading_of_4_58_says_not_yet_shown_and_what_would_be_needed() -> None:
    content = message(over((4.58, 60))[0])
    assert (content["state"], content["claim"], content["lacks"]) == ("not-shown", None, ["ph", "confirmation"])
    assert content["text"] == (
        "not yet shown: reads 4.58 +/- 0.11 (k=2), needs 4.47 or lower; another instrument must confirm it once it does"
    )
    assert content["needed_ph"] == pytest.approx(4.47, abs=0.001)


def test_a_claim_is_sent_with_all_it_rests_on() -> None:
    content = message(over((4.45, 60), commands=(spot(25, 4.45),))[0])
    claim = content["claim"]
    assert isinstance(claim, dict)
    assert (content["state"], claim["record"], claim["calibration"], claim["windows"]) == ("shown", 19, 1, 3)
    assert (claim["limit_ph"], claim["probability"]) == (4.6, 0.95)
    assert (claim["confirmed_by"], claim["confirmed_ph"], claim["confirmed_u"]) == ("meter", 4.45, 0.05)
    assert claim["confirmed_at"] == "2026-11-24T18:04:00.000000Z"
    assert len(content["premises"]) == 5  # type: ignore[arg-type]
    assert content["above_again"] is False


def test_ph_above_again_after_a_claim_is_told() -> None:
    content = message(over((4.4, 30), (4.8, 60), commands=(spot(25, 4.4),))[0])
    assert (content["state"], content["above_again"]) == ("shown", True)
    assert "but now reads 4.80 +/- 0.08 (k=2), above it again: hold the batch" in str(content["text"])


def test_a_withdrawn_claim_is_told_until_there_is_a_new_one() -> None:
    content = message(over((4.49, 90), commands=(spot(20, 4.49), checked(60, -0.6)))[0])
    assert (content["state"], content["claim"]) == ("withdrawn", None)
    assert str(content["text"]).startswith("WITHDRAWN: pH 4.49 +/- 0.08 (k=2) was claimed to be at or below 4.60.")
    assert content["lacks"] == ["ph", "question", "confirmation"]
    assert "probe or reference?" in str(content["text"])


def test_what_lacks_nothing_but_another_instrument_says_how_to_tell_it() -> None:
    content = message(over((4.4, 60))[0])
    assert content["lacks"] == ["confirmation"]
    assert "`vatvigil verify probe --spot PH --u U --instrument NAME`; it counts for about" in str(content["text"])


def test_nothing_known_is_a_message_too_and_no_target_is_none() -> None:
    content = message(WatchState.of(Carry(probe="probe"), over((4.5, 1))[0].recent))
    assert (content["state"], content["ph"], content["lacks"]) == ("not-shown", None, ["calibration"])
    assert target_message(TOPICS, MARROW, Carry(probe="p"), at_us=0) is None


def test_a_deadline_without_a_started_batch_says_so() -> None:
    now = standing(VAT, Carry(probe="probe"), at_us=0)
    assert now is not None
    assert (now.state, now.unwatched) == (
        TargetState.NOT_SHOWN,
        "no start of a batch is known, so deadline watches nothing: `vatvigil mark vat started`",
    )
    started = standing(VAT, Carry(probe="probe", batch=BatchState(started_us=0, started_at_us=0)), at_us=0)
    assert started is not None
    assert started.unwatched == ""


def test_the_hub_gets_an_entity_for_the_target_and_one_for_its_probability() -> None:
    vat = replace(MARROW, target=TargetConfig(), alarms=(*MARROW.alarms, DEADLINE))
    found = {
        m.topic: json.loads(m.payload)
        for m in discovery.announcements(replace(CONFIG, vats=(vat,)), FRAME, occurrences={})
    }
    shown = found["homeassistant/sensor/vatvigil_marrow_target/config"]
    chance = found["homeassistant/sensor/vatvigil_marrow_target_probability/config"]
    for content in (shown, chance):
        jsonschema.Draft202012Validator(schema("discovery")).validate(content)
        assert content["state_topic"] == "vatvigil/vat/marrow/target"
        assert "expire_after" not in content
    assert shown["options"] == [state.value for state in TargetState]
    assert AlarmConfig(id="x", kind=AlarmKind.DEADLINE).kind.row.unit == " h"
    assert TARGET.windows == 3
