"""A place for a configuration file."""

from pathlib import Path

import pytest


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "vatvigil.toml"
