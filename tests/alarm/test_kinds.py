"""No kind of alarm is without words: where it is listed, sent, told at three in the morning, and found at the probe."""

import pytest

from logger.alarm import notification
from logger.config import AlarmKind
from logger.mqtt.payloads import kind_words
from logger.settings.convert import DEFAULTS
from logger.watch import signals

KINDS = list(AlarmKind)


@pytest.mark.parametrize("kind", KINDS)
def test_a_list_and_the_hub_have_words_for_it(kind: AlarmKind) -> None:
    assert kind_words(kind)


@pytest.mark.parametrize("kind", KINDS)
def test_somebody_is_told_what_to_do_first(kind: AlarmKind) -> None:
    assert kind in notification.FIRST
    assert kind.is_process or kind in notification.WHAT


@pytest.mark.parametrize("kind", AlarmKind.of_vats())
def test_it_has_defaults_and_something_to_look_at(kind: AlarmKind) -> None:
    assert kind in DEFAULTS
    assert kind.is_of_target or kind in signals._SIGNALS  # noqa: SLF001 - a kind that is missing there would end the watch
