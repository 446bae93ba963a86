"""Real parts for the tests; each is started on a free loopback port and stopped by its fixture."""

import compileall
from collections.abc import Iterator
from pathlib import Path

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


def pytest_configure(config: pytest.Config) -> None:
    """Compile what the many processes of the tests import, as an installation does: each would do so anew.

    A machine may be told not to keep what Python compiles (PYTHONDONTWRITEBYTECODE); half of a start is compiling then.
    """
    if not hasattr(config, "workerinput"):  # not in the workers, which follow
        for room in ("logger", "simulator"):
            compileall.compile_dir(Path(__file__).parents[1] / room, quiet=1)


@pytest.fixture(autouse=True, scope="session")
def _own_state_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let what the watch keeps beside a server's store be kept here, also by the processes that are started."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        patched.delenv("STATE_DIRECTORY", raising=False)
        yield
