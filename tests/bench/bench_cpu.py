"""How much of a core one daemon takes for each probe that it reads every second, stores, judges and publishes.

Beside it a bare loop that only reads as many, on ports of its own. BENCH_SECONDS sets the length of each.
"""

import os
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.bench import bare_modbus, modbus_wall
from tests.bench.bench_many_probes import cpu_s
from tests.bench.processes import daemon, printed, running
from tests.parts.mosquitto import MakeMosquitto, Subscriber
from tests.parts.waiting import wait_until

SECONDS = float(os.environ.get("BENCH_SECONDS", "60"))
pytestmark = [pytest.mark.bench, pytest.mark.timeout(3 * SECONDS + 240)]
POLL_S, WARM_UP_S, AIM = 1.0, 12.0, 0.005
_PROBE = """
[probe.p{port}-{unit}]
port = "{folder}/port-{port}"
protocol = "modbus-rtu"
baud = 115200
poll_s = {poll_s}
timeout_s = 0.2
modbus = {{ address = {unit}, potential = {{ number = 0 }}, temperature = {{ number = 2 }} }}
[vat.v{port}-{unit}]
probe = "p{port}-{unit}"
alarm.ph-high = {{ setpoint = 4.6 }}
alarm.ph-low = {{ setpoint = 3.0 }}
alarm.temperature-high = {{ setpoint = 30 }}
alarm.temperature-low = {{ setpoint = 10 }}
"""


def wall(stack: ExitStack, folder: Path, ports: int, units: int) -> Path:
    command = [sys.executable, str(modbus_wall.__file__), str(folder), str(ports), str(units)]
    stack.enter_context(running(command, folder))
    wait_until(lambda: printed(folder) == ["READY"], 20.0, lambda: "\n".join(printed(folder)))
    return folder


def configured(folder: Path, at: Path, ports: int, units: int, broker: int) -> Path:
    folder.mkdir()
    text = f'[store]\npath = "{folder}/store.sqlite"\n[mqtt]\nhost = "127.0.0.1"\nport = {broker}\n[simulation]\n'
    pairs = [(port, unit) for port in range(ports) for unit in range(1, units + 1)]
    text += "".join(_PROBE.format(port=port, unit=unit, folder=at, poll_s=POLL_S) for port, unit in pairs)
    config = folder / "vatvigil.toml"
    config.write_text(text)
    return config


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
        ours = stack.enter_context(daemon(configured(folder / "ours", ours_at, ports, units, broker)))
        told = [str(bare_at), str(ports), str(units), str(POLL_S)]
        bare = stack.enter_context(running([sys.executable, str(bare_modbus.__file__), *told], folder / "bare"))
        time.sleep(WARM_UP_S)
        before, messages = (cpu_s(ours.pid), cpu_s(bare.pid)), len(heard.received)
        time.sleep(SECONDS)
        after = (cpu_s(ours.pid), cpu_s(bare.pid))
        return (after[0] - before[0]) / SECONDS, (after[1] - before[1]) / SECONDS, len(heard.received) - messages
