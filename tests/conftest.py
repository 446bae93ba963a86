"""Real parts for the tests; each is started on a free loopback port and stopped by its fixture."""

import os

from hypothesis import settings

settings.register_profile("vatvigil", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("vatvigil")

pytest_plugins = [
    "tests.parts.postgres",
    "tests.parts.mosquitto",
    "tests.parts.simulator",
    "tests.parts.daemon",
    "tests.parts.bench",
]
