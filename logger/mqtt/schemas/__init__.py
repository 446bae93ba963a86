"""Reads the JSON Schema of each kind of payload (draft 2020-12).

The files are generated from the payloads and shipped with the package: `python -m logger.mqtt.schemas` writes them.
"""

from importlib.resources import files
from typing import Any

import msgspec


def schema(name: str) -> dict[str, Any]:
    """Return the schema of a kind of payload. Raises FileNotFoundError for a name that no kind has."""
    content: dict[str, Any] = msgspec.json.decode(files(__name__).joinpath(f"{name}.json").read_bytes())
    return content
