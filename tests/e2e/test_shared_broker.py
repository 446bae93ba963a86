"""Two daemons with stores of their own that were configured alike: each says what to set."""

import pytest

from tests.parts.daemon import MakeNight
from tests.parts.mosquitto import MakeMosquitto

ID = 'client_id = "vatvigil-test"'


@pytest.mark.slow
@pytest.mark.parametrize("second", [ID, 'client_id = "another"'], ids=["same id", "own ids"])
def test_two_daemons_on_one_base_topic_both_say_what_to_set(
    night: MakeNight, mosquitto: MakeMosquitto, second: str
) -> None:
    broker = mosquitto()
    both = [night(speed=100, poll_s=10, broker=broker.port) for _ in range(2)]
    both[1].config_file.write_text(both[1].config_file.read_text().replace(ID, second))
    for here in both:
        here.start_and_watch()
    for here in both:
        here.wait_for("alarm = 'broker-shared' AND annunciates")
        ((text,),) = here.rows("SELECT text FROM journal WHERE alarm = 'broker-shared' AND annunciates")
        assert "set both base_topic and client_id" in text
        assert "simulated/vatvigil-test" in text
    for here in both:
        assert here.stop() == 0
    identities = [here.rows("SELECT value FROM meta WHERE key = 'identity'") for here in both]
    assert len({tuple(identity) for identity in identities}) == len(both)
