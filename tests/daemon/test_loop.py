"""The main loop over scripted happenings: what ends it, what it proves to the manager, what it takes over."""

import socket
import time
from pathlib import Path
from queue import SimpleQueue

import pytest

from logger.config import AlarmKind, MqttConfig, ProbeConfig, VatConfig
from logger.daemon import progress, service, start
from logger.daemon.notify import Manager
from logger.daemon.service import Stop
from logger.errors import StoreBusyError, ThreadCrash
from logger.model import Cause, Indication
from logger.mqtt.messages import Message, PublishAccepted
from logger.store import Store, queries
from logger.structs import replace
from tests.daemon.factories import HIGH, calibrated, config_of, indication, run
from tests.series import EPOCH_US


def test_a_crashed_thread_ends_the_loop_with_its_error(tmp_path: Path) -> None:
    daemon = start.build(config_of(tmp_path), config_hash="")
    daemon.ports.clear()
    error = ZeroDivisionError("a bug")
    daemon.queue.put(ThreadCrash(error))
    with pytest.raises(RuntimeError, match="a thread ended unexpectedly") as raised:
        daemon.run(Stop())
    assert raised.value.__cause__ is error


def words(heard: socket.socket) -> list[bytes]:
    """Return what the manager was told."""
    heard.setblocking(False)
    said = []
    while True:
        try:
            said.append(heard.recv(100))
        except BlockingIOError:
            return said


@pytest.mark.parametrize(("hung_s", "expected"), [(60.0, True), (0.0, False)], ids=["in time", "hangs"])
def test_a_port_that_hangs_does_not_hide_behind_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, hung_s: float, expected: bool
) -> None:
    monkeypatch.setattr(progress, "HUNG_S", hung_s)
    config = config_of(tmp_path)
    probes = (*config.probes, ProbeConfig(id="other", port="/dev/null", poll_s=0.001))
    config = replace(config, probes=probes, vats=(*config.vats, VatConfig(id="other", name="O", probe="other")))
    daemon = start.build(config, config_hash="")
    daemon.ports.clear()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(tmp_path / "notify"))
        daemon.manager = Manager(str(tmp_path / "notify"))
        stop, late = Stop(), time.monotonic() + 0.1

        class Late(SimpleQueue[object]):
            """Hands over one indication of the first probe once the other is late, then asks to stop."""

            def get(self, block: bool = True, timeout: float | None = None) -> Indication:  # noqa: FBT001, FBT002 - as SimpleQueue's
                del block, timeout
                time.sleep(max(0.0, late - time.monotonic()))
                stop.wanted = True
                return indication(4.5, at_us=EPOCH_US, elapsed_us=0)

        daemon.queue = Late()  # type: ignore[assignment] # has all that the loop uses
        daemon.run(stop)
        assert (b"WATCHDOG=1" in words(heard)) is expected


def test_without_a_broker_nothing_piles_up_in_the_outbox(tmp_path: Path) -> None:
    with run(calibrated(config_of(tmp_path, HIGH)), [4.5, *[4.7] * 70]) as store:
        assert [e.cause for e in queries.entries(store, limit=9, alarm="ph-high")] == [Cause.ANNUNCIATED]
        assert queries.unsent_events(store, limit=9) == []


def test_what_an_earlier_run_could_not_send_is_all_offered_at_the_next_start(tmp_path: Path) -> None:
    config = config_of(tmp_path, HIGH, mqtt=MqttConfig(host="127.0.0.1", port=1))
    with run(calibrated(config), [4.5, *[4.7] * 70]) as store:
        before = [event.id for event in queries.unsent_events(store, limit=9)]
    daemon = start.build(config, config_hash="")
    daemon.ports.clear()
    stop = Stop(wanted=True)
    daemon.run(stop)
    assert daemon.publisher is not None
    assert len(before) == 3  # calibrated, the broker is away, annunciated
    assert daemon.publisher.delivery.waiting == 3


def test_an_end_that_could_not_store_everything_is_no_good_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service, "LAST_COMMIT_S", 0.3)
    config = config_of(tmp_path)
    daemon = start.build(config, config_hash="")
    daemon.ports.clear()
    daemon.queue.put(indication(4.5, at_us=EPOCH_US, elapsed_us=0))
    stop = Stop(wanted=True)
    with (
        Store.open(config.store_url, simulated=False) as other,
        other.begin(),  # has the write lock
        pytest.raises(StoreBusyError, match="its last 1 cycles were not stored"),
    ):
        daemon.run(stop)


def test_events_leave_before_their_delivery_is_stored_and_the_rest_is_shown(tmp_path: Path) -> None:
    low = replace(HIGH, id="ph-low", kind=AlarmKind.PH_LOW, setpoint=4.8, on_delay_s=0.0)
    high = replace(HIGH, on_delay_s=0.0)
    daemon = start.build(calibrated(config_of(tmp_path, high, low, mqtt=MqttConfig(port=1))), config_hash="")
    assert daemon.publisher
    sent: list[Message] = []
    delivery = daemon.publisher.delivery

    def publish(message: Message) -> int:
        sent.append(message)
        return len(sent)

    delivery.connected, delivery.publish = True, publish
    daemon._process([indication(4.7, at_us=EPOCH_US, elapsed_us=0)])  # noqa: SLF001 - a round of the loop
    told = []
    for mid in range(1, 30):
        daemon._process([PublishAccepted(mid)])  # noqa: SLF001 - a round of the loop
        told.append((delivery.waiting, len(queries.unsent_events(daemon.store, limit=9))))
    assert sorted(set(told), reverse=True) == [(3, 3), (2, 3), (1, 3), (0, 0)]
    kinds = [message.topic.rpartition("/")[2] for message in sent]
    assert kinds.index("alarms") < kinds.index("event") < kinds.index("config") < kinds.index("measurement")
    daemon.store.close()
