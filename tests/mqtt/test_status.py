"""The status and the heartbeat, against their schemas."""

import pytest

from logger.mqtt.status import heartbeat_message, status_message
from tests.mqtt.factories import AT_US, TOPICS, read_payload


@pytest.mark.parametrize("online", [True, False])
def test_availability_is_retained(online: bool) -> None:  # noqa: FBT001 - pytest passes parameters by name
    message = status_message(TOPICS, online=online, store="a")
    assert message.retain
    assert read_payload(message.payload, "status")["status"] == ("online" if online else "offline")


def test_the_heartbeat_tells_ages_and_what_waits() -> None:
    message = heartbeat_message(
        TOPICS,
        at_us=AT_US,
        store="a",
        believed_age_s={"marrow": 12.5, "teasel": None},
        waiting=2,
        oldest_at_us=AT_US - 60_000_000,
    )
    assert not message.retain
    assert read_payload(message.payload, "heartbeat") == {
        "at": "2026-11-25T02:10:00.123456Z",
        "store": "a",
        "believed_age_s": {"marrow": 12.5, "teasel": None},
        "outbox": {"waiting": 2, "oldest_age_s": 60.0},
        "simulated": False,
    }
