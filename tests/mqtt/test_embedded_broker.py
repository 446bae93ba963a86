"""The demo's broker (amqtt, MQTT 3.1.1 only) takes what we send."""

import asyncio
import threading
from collections.abc import Iterator

import pytest

from tests.mqtt.factories import event, line, retained
from tests.parts.mosquitto import free_port

pytest.importorskip("amqtt", reason="amqtt not found: pip install 'vatvigil[demo]'")


@pytest.fixture
def embedded() -> Iterator[int]:
    from amqtt.broker import Broker  # noqa: PLC0415 - absent without the extra

    port, started, stop = free_port(), threading.Event(), asyncio.Event()

    async def serve() -> None:
        config = {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
        broker = Broker(config)
        await broker.start()
        started.set()
        await stop.wait()
        await broker.shutdown()

    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()))
    thread.start()
    assert started.wait(10)
    yield port
    loop.call_soon_threadsafe(stop.set)
    thread.join(10)
    loop.close()


def test_the_embedded_broker_takes_states_and_events_by_mqtt_3_1_1(embedded: int) -> None:
    with line(embedded, protocol=311) as ours:
        ours.delivery.put(retained("vatvigil/vat/marrow/alarm/ph-high", "{}"))
        ours.delivery.offer([event(1), event(2)])
        ours.settle()
        assert ours.delivered == ["event-1", "event-2"]
