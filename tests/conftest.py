"""Real parts for the tests; each is started on a free loopback port and stopped by its fixture."""

from collections.abc import Iterator

import pytest
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


@pytest.fixture(autouse=True, scope="session")
def _own_state_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let what the watch keeps beside a server's store be kept here, also by the processes that are started."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        patched.delenv("STATE_DIRECTORY", raising=False)
        yield
