"""Real parts for the tests; each is started on a free loopback port and stopped by its fixture."""

pytest_plugins = ["tests.parts.postgres", "tests.parts.mosquitto", "tests.parts.simulator"]
