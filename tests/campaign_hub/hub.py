"""A real hub core as a process with a folder of its own, and the three blueprints with their clock shortened."""

import json
import os
import shutil
import sqlite3
import subprocess
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.parts.mosquitto import free_port

PYTHON = os.environ.get("HUB_PYTHON", "/tmp/hubenv/bin/python")  # noqa: S108 - a place that README.md names
HERE = Path(__file__).parent
EXAMPLES = HERE.parents[1] / "config_examples"
BLUEPRINTS = ("hub_wakes_me", "hub_wakes_me_again", "hub_nobody_watches")
AFTER_S, EVERY_S = 4, 20
"""In the place of 60 or 120 s, and of 15 min."""
NODE = "simulated_vatvigil_test"
WORST, HEARTBEAT = f"sensor.{NODE}_marrow_worst_alarm", f"binary_sensor.{NODE}_heartbeat"
BASE = "simulated/vatvigil-test"
_INPUTS: dict[str, dict[str, Any]] = {
    "hub_wakes_me": {"vats": f"{BASE}/vat/+/event", "watch": f"{BASE}/event"},
    "hub_wakes_me_again": {"worst": WORST, "after": AFTER_S, "every": f"/{EVERY_S}"},
    "hub_nobody_watches": {"heartbeat": HEARTBEAT, "silent_for": AFTER_S, "every": f"/{EVERY_S}"},
}
_MQTT = {"domain": "mqtt", "entry_id": "campaign", "title": "broker", "version": 1, "minor_version": 1}
_REST = {"options": {}, "pref_disable_new_entities": False, "pref_disable_polling": False, "source": "user"}


@dataclass(slots=True, kw_only=True)
class Hub:
    """One hub; `start` and `stop` keep its folder."""

    folder: Path
    broker: int
    _process: subprocess.Popen[str] | None = field(default=None, init=False)

    def make(self, *automations: dict[str, Any]) -> None:
        """Write its configuration: the broker, the recorder, the three automations, and more of them."""
        (self.folder / ".storage").mkdir(parents=True)
        data = {"broker": "127.0.0.1", "port": self.broker, "discovery": True}
        entries = [{**_MQTT, **_REST, "data": data, "unique_id": None, "disabled_by": None}]
        stored = {"version": 1, "minor_version": 1, "key": "core.config_entries", "data": {"entries": entries}}
        (self.folder / ".storage" / "core.config_entries").write_text(json.dumps(stored))
        content = {
            "homeassistant": {"name": "Campaign", "latitude": 0, "longitude": 0, "elevation": 0, "time_zone": "UTC"},
            "http": {"server_host": "127.0.0.1", "server_port": free_port()},
            "recorder": {"commit_interval": 1},
            "logger": {"default": "info"},
            "automation": [
                *(self._automation(number, name) for number, name in enumerate(BLUEPRINTS, start=1)),
                *automations,
            ],
        }
        (self.folder / "configuration.yaml").write_text(json.dumps(content))  # YAML reads JSON

    def _automation(self, number: int, name: str) -> dict[str, Any]:
        target = self.folder / "blueprints" / "automation" / "vatvigil" / f"{name}.yaml"
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text((EXAMPLES / target.name).read_text().replace("minutes: !input", "seconds: !input"))
        tell = [{"event": "told", "event_data": {"by": number, "lines": "{{ lines }}"}}]
        used = {"path": f"vatvigil/{target.name}", "input": {**_INPUTS[name], "tell": tell}}
        return {"id": name, "alias": name, "use_blueprint": used}

    def start(self) -> None:
        """Start it and wait until it says that it has."""
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [PYTHON, str(HERE / "hub_process.py"), str(self.folder)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                cwd=self.folder,
            )
        assert self._answer() == "started"

    def stop(self) -> None:
        """End it in good order."""
        if self._process is not None:
            self.ask("stop")
            self._end()

    def close(self) -> None:
        """End it whatever it does."""
        if self._process is not None:
            self._process.kill()
            self._end()

    def _end(self) -> None:
        assert self._process is not None
        self._process.wait(30)
        for end in filter(None, (self._process.stdin, self._process.stdout)):
            end.close()
        self._process = None

    def ask(self, what: str, **more: object) -> Any:  # noqa: ANN401 - any JSON
        """Ask it for something and return its answer."""
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({"ask": what, **more}) + "\n")
        self._process.stdin.flush()
        return self._answer()

    def _answer(self) -> Any:  # noqa: ANN401 - any JSON
        assert self._process is not None
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, f"the hub ended:\n{self.log[-3000:]}"
        reply = json.loads(line)
        assert "error" not in reply, reply
        return reply["answer"]

    def call(self, service: str, entity: str, **data: object) -> None:
        """Press or enter something as a page does."""
        domain, _, name = service.partition(".")
        self.ask("call", domain=domain, service=name, data={"entity_id": entity, **data})

    def state(self, entity: str) -> str:
        """Return the state of an entity; `absent`: there is none."""
        return str(self.ask("states").get(entity, {"state": "absent"})["state"])

    def attributes(self, entity: str) -> dict[str, Any]:
        """Return the attributes of an entity."""
        found: dict[str, Any] = self.ask("states")[entity]["attributes"]
        return found

    @property
    def told(self) -> list[int]:
        """Return which automations told something, in their order, over all starts."""
        file = self.folder / "told"
        return [json.loads(line)["by"] for line in file.read_text().splitlines()] if file.exists() else []

    @property
    def log(self) -> str:
        """Return what it printed over all its starts."""
        return (self.folder / "log").read_text(errors="replace")

    def rows(self, statement: str) -> list[tuple[Any, ...]]:
        """Return what a SELECT finds in what it has recorded."""
        with closing(sqlite3.connect(f"file:{self.folder / 'home-assistant_v2.db'}?mode=ro", uri=True)) as database:
            return database.execute(statement).fetchall()


def is_here() -> bool:
    """Tell whether there is an environment with a hub."""
    return shutil.which(PYTHON) is not None
