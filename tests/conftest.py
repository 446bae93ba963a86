"""Real parts for the tests; each is started on a free loopback port and stopped by its fixture."""

from hypothesis import settings

import tests.examples  # noqa: F401 - registers the profiles

settings.load_profile("same")

pytest_plugins = [
    "tests.parts.devtools",
    "tests.parts.postgres",
    "tests.parts.mosquitto",
    "tests.parts.simulator",
    "tests.parts.daemon",
    "tests.parts.guided_terminal",
    "tests.parts.receiver",
]
