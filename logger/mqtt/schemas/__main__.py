"""Writes the schema files: `python -m logger.mqtt.schemas`."""

from logger.mqtt.schemas.generate import write

write()
