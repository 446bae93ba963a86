import pytest

from logger.config import MqttConfig
from logger.errors import ConfigurationError
from logger.mqtt.topics import Address, Topics, plain


def test_what_is_simulated_has_a_root_of_its_own() -> None:
    real = Topics.of(MqttConfig(), simulated=False)
    simulated = Topics.of(MqttConfig(), simulated=True)
    assert real.alarm("marrow", "ph-high") == "vatvigil/vat/marrow/alarm/ph-high"
    assert simulated.alarm("marrow", "ph-high") == "simulated/vatvigil/vat/marrow/alarm/ph-high"
    assert simulated.node == "SIMULATED_vatvigil"


def test_events_without_a_vat_are_the_systems() -> None:
    topics = Topics.of(MqttConfig(base_topic="cellar/north/"), simulated=False)
    assert topics.event("") == "cellar/north/event"
    assert topics.event("marrow") == "cellar/north/vat/marrow/event"


def test_a_command_topic_is_read_back_as_it_was_made() -> None:
    topics = Topics.of(MqttConfig(), simulated=True)
    for verb, topic in (
        ("acknowledge", topics.acknowledge("marrow", "ph-high")),
        ("shelve", topics.shelve("marrow", "ph-high")),
        ("unshelve", topics.unshelve("marrow", "ph-high")),
    ):
        assert topics.command(topic) == Address(vat="marrow", alarm="ph-high", verb=verb)
    for verb, topic in (
        ("acknowledge", topics.acknowledge_all("marrow")),
        ("mark", topics.mark("marrow")),
        ("note", topics.note("marrow")),
        ("spot", topics.spot("marrow")),
    ):
        assert topics.command(topic) == Address(vat="marrow", verb=verb)
    assert topics.command("vatvigil/command/marrow/ph-high/shelve") is None  # the real one, not the simulated one
    assert topics.command(topics.acknowledge("marrow", "ph-high") + "/now") is None


@pytest.mark.parametrize("base", ["", "/", "a/+/b", "a#", "$SYS", "a\0b"])
def test_a_base_that_is_no_topic_name_is_an_error_that_says_so(base: str) -> None:
    with pytest.raises(ConfigurationError, match=r"^mqtt\.base_topic: "):
        Topics.of(MqttConfig(base_topic=base), simulated=False)


def test_ids_hold_only_what_the_hub_allows() -> None:
    # https://www.home-assistant.io/integrations/mqtt/#discovery-topic: [a-zA-Z0-9_-]
    assert plain("vat no. 3/übung") == "vat_no__3__bung"


def test_without_a_discovery_prefix_only_commands_are_heard() -> None:
    topics = Topics.of(MqttConfig(discovery_prefix=None), simulated=False)
    assert topics.subscriptions == ("vatvigil/command/#",)
    assert Topics.of(MqttConfig(), simulated=False).subscriptions == ("vatvigil/command/#", "homeassistant/status")
