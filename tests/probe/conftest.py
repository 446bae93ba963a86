"""A scripted SCPI instrument on a real pseudo-terminal, and what reads it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.probe.peer import Peer
from tests.probe.polled_probe import Ticks


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    with Peer(tmp_path / "probe") as peer:
        yield peer


@pytest.fixture
def tick(peer: Peer) -> Iterator[Ticks]:
    ticks = Ticks(str(peer.link))
    yield ticks
    ticks.reader.close()
