"""Start the parts of the demonstration: broker, simulator and daemon as processes of their own, on loopback.

Law: what was started is stopped, whatever happens in between.
"""

import asyncio
import logging
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from logger import private_file
from logger.errors import BrokerError, VatvigilError

LOOPBACK = "127.0.0.1"
START_S = 10.0
STOP_S = 10.0


def free_port() -> int:
    """Return a TCP port of the loopback that nobody uses now."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


@contextmanager
def broker(folder: Path, *, embedded: bool) -> Iterator[tuple[str, int]]:
    """Run a broker; yield its name and port. Mosquitto if it is installed and may be used, else one in this process."""
    port = free_port()
    program = (
        None if embedded else shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    )
    if program:
        conf = folder / "broker.conf"
        with private_file.opened(conf, "wb") as file:
            file.write(f"listener {port} {LOOPBACK}\nallow_anonymous true\npersistence false\n".encode())
        with process([program, "-c", str(conf)], folder / "broker.log"):
            _wait_for(port)
            yield "mosquitto", port
    else:
        with _embedded(port):
            _wait_for(port)
            yield "embedded", port


@contextmanager
def simulator(run: str, options: list[str], log: Path) -> Iterator[str]:
    """Serve a run of the simulator on a pseudo-terminal; yield the port's name."""
    with process(simulator_command("serve", run, *options), log, piped=True) as running:
        line = running.stdout.readline() if running.stdout else ""
        if not line.startswith("port: "):
            raise VatvigilError(f"the simulator did not start; it wrote: {log.read_text().strip() or 'nothing'}")
        yield line.removeprefix("port: ").strip()


def simulator_command(*arguments: str) -> list[str]:
    """Return a command line of the simulator; -P keeps files of this folder from standing in for our modules."""
    return [sys.executable, "-P", "-m", "simulator", *arguments]


@contextmanager
def process(command: list[str], log: Path, *, piped: bool = False) -> Iterator[subprocess.Popen[str]]:
    """Run a process that writes to a log file; at the end ask it to stop, then make it."""
    with private_file.opened(log, "wb") as errors:
        running = subprocess.Popen(  # noqa: S603 - our own modules, or the broker found above
            command, stdout=subprocess.PIPE if piped else errors, stderr=errors, stdin=subprocess.DEVNULL, text=True
        )
        try:
            yield running
        finally:
            running.terminate()
            try:
                running.wait(STOP_S)
            except subprocess.TimeoutExpired:
                running.kill()
                running.wait()
            if running.stdout:
                running.stdout.close()


@contextmanager
def _embedded(port: int) -> Iterator[None]:
    """Run a broker of pure Python in a thread."""
    try:
        from amqtt.broker import Broker  # noqa: PLC0415 - an extra: only the demo wants it
    except ImportError as error:
        raise BrokerError(
            "the demo needs a broker: install mosquitto, or `pip install 'vatvigil[demo]'` for an embedded one"
        ) from error
    logging.getLogger("amqtt").setLevel(logging.CRITICAL)  # it complains of each client that only knocks
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"{LOOPBACK}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    loop = asyncio.new_event_loop()
    embedded = Broker(config, loop=loop)

    def serve() -> None:
        loop.run_until_complete(embedded.start())
        loop.run_forever()

    thread = threading.Thread(target=serve, name="broker", daemon=True)
    thread.start()
    try:
        yield
    finally:
        asyncio.run_coroutine_threadsafe(embedded.shutdown(), loop).result(STOP_S)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(STOP_S)
        loop.close()


def _wait_for(port: int) -> None:
    """Return once the port takes connections. Raises BrokerError."""
    ticks = threading.Event()
    for _ in range(round(START_S / 0.05)):
        with socket.socket() as probe:
            if probe.connect_ex((LOOPBACK, port)) == 0:
                return
        ticks.wait(0.05)
    raise BrokerError(f"the demo's broker did not answer on port {port} within {START_S:g} s")
