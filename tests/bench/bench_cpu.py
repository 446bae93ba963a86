"""How much of a core one daemon takes for each probe that it reads every second, stores, judges and publishes.

Beside it a bare loop that only reads as many, on ports of its own. BENCH_SECONDS sets the length of each.
"""

import os
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.bench import bare_modbus
from tests.bench.bench_many_probes import POLL_S, configured, cpu_s, wall
from tests.bench.processes import daemon, running
from tests.parts.mosquitto import MakeMosquitto, Subscriber

SECONDS = float(os.environ.get("BENCH_SECONDS", "60"))
pytestmark = [pytest.mark.bench, pytest.mark.timeout(3 * SECONDS + 240)]
WARM_UP_S, AIM = 12.0, 0.005
TICK_S = 0.01
"""In which the kernel counts: proc(5), `utime`; a short run of the bare loop may take none."""
_ALARMS = "alarm.temperature-high = { setpoint = 30 }\nalarm.temperature-low = { setpoint = 10 }\n"
_MQTT = '[mqtt]\nhost = "127.0.0.1"\nport = {}\n'


def test_cpu_for_each_probe_at_1_hz(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    print(f"\nCPU of one core for each probe, each read every {POLL_S:g} s, stored and published, {SECONDS:g} s")
    for ports, units in ((1, 1), (2, 4), (8, 4)):
        ours, bare, sent = used(tmp_path / f"{ports * units}", broker.port, ports, units)
        probes = ports * units
        shares = f"daemon {ours / probes:.2%} (aim {AIM:.1%}), a bare loop that only reads {bare / probes:.2%}"
        print(f"  {probes:2d} probes: {shares}; ratio {ours / bare:.1f}, {sent / probes / SECONDS:.1f} messages/s")


def used(folder: Path, broker: int, ports: int, units: int) -> tuple[float, float, float]:
    """Return the shares of a core that the daemon and the bare loop took, and how many messages were published."""
    folder.mkdir()
    with ExitStack() as stack:
        ours_at = wall(stack, folder / "ours-ports", ports, units)
        bare_at = wall(stack, folder / "bare-ports", ports, units)
        heard = stack.enter_context(Subscriber(port=broker))
        tables = _MQTT.format(broker)
        config = configured(folder / "ours", ours_at, ports, units, tables=tables, alarms=_ALARMS)
        ours = stack.enter_context(daemon(config))
        told = [str(bare_at), str(ports), str(units), str(POLL_S)]
        bare = stack.enter_context(running([sys.executable, str(bare_modbus.__file__), *told], folder / "bare"))
        time.sleep(WARM_UP_S)
        before, messages = (cpu_s(ours.pid), cpu_s(bare.pid)), len(heard.received)
        time.sleep(SECONDS)
        after = (cpu_s(ours.pid), cpu_s(bare.pid))
        theirs_s = max(TICK_S, after[1] - before[1])
        return (after[0] - before[0]) / SECONDS, theirs_s / SECONDS, len(heard.received) - messages
