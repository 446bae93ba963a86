"""The machine's clock set by an hour under a running daemon, with libfaketime; the monotonic clock is left alone."""

import os
import shutil
from pathlib import Path

import pytest

from logger.model import Reason
from tests.night.telling import check_that_a_replay_tells_the_same, stored
from tests.parts.daemon import MakeNight, Vat

LIBRARIES = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
HIGH = """\
[vat.{vat}.alarm.ph-high]
setpoint = 3.0
deadband = 0.1
on_delay_s = 10
window_s = 0
"""


@pytest.mark.slow
@pytest.mark.parametrize("step", ["+3600", "-3600"])
def test_a_clock_set_while_the_daemon_runs_neither_stalls_nor_shifts_it(night: MakeNight, step: str) -> None:
    if not LIBRARIES or shutil.which("faketime") is None:
        pytest.skip("libfaketime not found: apt-get install faketime")
    vat = Vat(run="quiet-night", alarms=HIGH)
    here = night(vat, speed=1.0, poll_s=0.5, starts_h=1.0)
    # At speed 1 and without an epoch, the daemon reads the machine's own clocks, through the library.
    text = here.config_file.read_text()
    here.config_file.write_text(
        "\n".join(line for line in text.splitlines() if not line.startswith(("speed", "epoch")))
    )
    said = here.folder / "offset"
    said.write_text("+0")
    here.environment = {
        "LD_PRELOAD": str(LIBRARIES[0]),
        "DONT_FAKE_MONOTONIC": "1",
        "FAKETIME_TIMESTAMP_FILE": str(said),
        "FAKETIME_NO_CACHE": "1",
        "TZ": os.environ.get("TZ", "UTC"),
    }
    here.start_and_watch(records=8)  # half of the on-delay
    said.write_text(step)
    here.wait_for("cause = 'clock-stepped'")
    here.wait_for("cause = 'annunciated'")
    here.watch(records=4)
    assert here.stop() == 0
    stepped = here.rows("SELECT text FROM journal WHERE cause = 'clock-stepped'")
    assert [text for (text,) in stepped] == [f"The wall clock was stepped by {step} s; delays go by the steady clock"]
    told = check_that_a_replay_tells_the_same(here, vat)
    rows = told.measurements
    (raised,) = [entry for entry in told.entries if entry.annunciates]
    first = next(n for n in range(len(rows)) if rows.reason[n] == Reason.NONE and rows.ph[n] >= 3.0)
    (at,) = (n for n in range(len(rows)) if rows.seq[n] == raised.seq)
    delay_s = (rows.elapsed_us[at] - rows.elapsed_us[first]) / 1e6
    assert 10.0 <= delay_s < 10.0 + 2 * (max(rows.elapsed_us[1:] - rows.elapsed_us[:-1]) / 1e6)
    jumps_s = [round((b - a) / 1e6 / 100) * 100 for a, b in zip(rows.at_us, rows.at_us[1:], strict=False)]
    assert [jump for jump in jumps_s if jump] == [int(step)]
    assert stored(here, vat).measurements.elapsed_us.tolist() == sorted(rows.elapsed_us.tolist())
