"""Runs a real hub core without its pages; answers questions on standard input, one JSON object a line each way.

Run by the interpreter of the hub's own environment (README.md), never by ours: it imports nothing of this project.
What an automation tells by the event `told` is appended to the file `told` of the hub's folder.
"""

import asyncio
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from homeassistant import bootstrap, config, core, loader
from homeassistant.components.recorder import get_instance
from homeassistant.components.recorder.tasks import StatisticsTask
from homeassistant.helpers import device_registry, entity_registry


async def start(folder: str) -> core.HomeAssistant:
    """Start the hub of a folder as its own runner does, but for what only its pages need."""
    hub = core.HomeAssistant(folder)
    bootstrap.async_enable_logging(hub, log_no_color=True)
    hub.config.skip_pip = True
    loader.async_setup(hub)
    content = await config.async_hass_config_yaml(hub)
    if await bootstrap.async_from_config_dict(content, hub) is None:
        sys.exit("the hub did not start")
    hub.bus.async_listen("told", lambda event: note(folder, event.data))
    await hub.async_start()
    return hub


def note(folder: str, told: dict[str, object]) -> None:
    """Append what an automation tells."""
    with (Path(folder) / "told").open("a") as file:
        file.write(json.dumps(told) + "\n")


def states(hub: core.HomeAssistant) -> dict[str, object]:
    """Return the state of each entity."""
    return {state.entity_id: state.as_dict() for state in hub.states.async_all()}


def registry(hub: core.HomeAssistant) -> dict[str, object]:
    """Return what the hub knows of each entity, also of those that are disabled."""
    names = ["unique_id", "platform", "disabled_by", "entity_category", "original_name", "original_icon"]
    names += ["original_device_class", "unit_of_measurement", "capabilities"]
    known = device_registry.async_get(hub).devices
    found: dict[str, object] = {}
    for entry in entity_registry.async_get(hub).entities.values():
        device = known[entry.device_id].name if entry.device_id else None
        options = {key: dict(value) for key, value in entry.options.items()}
        found[entry.entity_id] = {
            **{name: getattr(entry, name) for name in names},
            "device": device,
            "options": options,
        }
    return found


def devices(hub: core.HomeAssistant) -> dict[str, object]:
    """Return by the name of each device the one that it stands below."""
    known = device_registry.async_get(hub).devices
    return {one.name: known[one.via_device_id].name if one.via_device_id else None for one in known.values()}


async def compile_statistics(hub: core.HomeAssistant) -> None:
    """Let the hub make its statistics of the five minutes that run now."""
    now = datetime.now(UTC)  # noqa: TID251 - the clock of the hub
    start = now - timedelta(minutes=now.minute % 5, seconds=now.second, microseconds=now.microsecond)
    recorder = get_instance(hub)
    recorder.queue_task(StatisticsTask(start, False))
    await hub.async_add_executor_job(recorder.block_till_done)


async def answer(hub: core.HomeAssistant, asked: dict[str, object]) -> object:
    """Return what is asked for."""
    match asked:
        case {"ask": "states"}:
            return states(hub)
        case {"ask": "registry"}:
            return registry(hub)
        case {"ask": "devices"}:
            return devices(hub)
        case {"ask": "enable", "entities": list(entities)}:
            for entity in entities:
                entity_registry.async_get(hub).async_update_entity(entity, disabled_by=None)
        case {"ask": "call", "domain": str(domain), "service": str(service), "data": dict(data)}:
            await hub.services.async_call(domain, service, data, blocking=True)
        case {"ask": "statistics"}:
            await compile_statistics(hub)
        case {"ask": "stop"}:
            await hub.async_stop()
    return None


async def main(folder: str) -> None:
    """Run until asked to stop."""
    hub = await start(folder)
    lines = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    print(json.dumps({"answer": "started"}), flush=True)
    while line := await lines.readline():
        asked = json.loads(line)
        try:
            reply: dict[str, object] = {"answer": await answer(hub, asked)}
        except Exception as error:  # noqa: BLE001 - the asker is to see whatever it is
            reply = {"error": f"{type(error).__name__}: {error}"}
        print(json.dumps(reply, default=str), flush=True)
        if asked["ask"] == "stop":
            return


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1]))
