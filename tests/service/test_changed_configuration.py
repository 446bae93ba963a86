"""A configuration that was changed between two runs: what was carried goes on, what is no longer watched is told."""

from dataclasses import replace
from pathlib import Path

from logger import service
from logger.config import Config, ProbeConfig
from tests.service.making import HIGH, calibrated, config_of, run


def renamed(config: Config, probe: str) -> Config:
    """Give the vat a probe of another name, and forget the one it had."""
    (vat,) = config.vats
    return replace(config, probes=(ProbeConfig(id=probe, port="/dev/null"),), vats=(replace(vat, probe=probe),))


def test_watch_time_goes_on_when_the_probe_is_renamed_or_exchanged(tmp_path: Path) -> None:
    # Else what is carried in watch time (a shelving, the beginning of fresh windows) would lie days ahead: every
    # alarm that judges windows would be silent until then, `blind` too.
    config = calibrated(config_of(tmp_path, HIGH))
    run(config, [4.5] * 100).close()
    daemon = service.build(renamed(config, "other"), config_hash="")
    assert daemon.clock.read().elapsed_us >= 1_000_000_000
    daemon.store.close()
