"""JSON Schemas of every payload (draft 2020-12), shipped with the package."""

from importlib.resources import files
from typing import Any

import msgspec

SENT = ("status", "heartbeat", "measurement", "alarm", "event", "health", "target", "discovery")
HEARD = ("acknowledge", "shelve", "mark", "note", "spot")
NAMES = SENT + HEARD


def schema(name: str) -> dict[str, Any]:
    """Return the schema of a kind of payload. Raises FileNotFoundError for a name that is not in `NAMES`."""
    content: dict[str, Any] = msgspec.json.decode(files(__name__).joinpath(f"{name}.json").read_bytes())
    return content
