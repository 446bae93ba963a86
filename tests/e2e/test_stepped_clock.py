"""The machine's clock set by an hour under a running daemon, with libfaketime; the monotonic clock is left alone."""

import pytest

from logger.model import CommandKind, Reason
from tests.e2e.vat_history import check_that_a_replay_tells_the_same, stored
from tests.parts.daemon import MakeNight, Night, Vat
from tests.parts.wall_clock import WallClock, wall_clock

SILENT = """\
[vat.{vat}.alarm.no-data]
on_delay_s = 10
"""


def with_a_clock_of_its_own(night: MakeNight, vat: Vat) -> tuple[Night, WallClock]:
    """Return a night whose daemon reads the machine's wall clock, and what sets that."""
    here = night(vat, speed=1.0, poll_s=0.5, calibrated=False)
    # Only a daemon that watches no simulation reads the machine's wall clock. It refuses the simulator, which is just
    # as well: every tick is a record without an indication, and the alarm about that has an on-delay too.
    text = here.config_file.read_text()
    text = text[text.index("[store]") :].replace("timeout_s = 1.0", "timeout_s = 0.15")
    here.config_file.write_text(text)
    clock = wall_clock(here.folder)
    here.environment = clock.environment
    return here, clock


@pytest.mark.slow
@pytest.mark.parametrize("step", ["+3600", "-3600"])
def test_a_clock_set_while_the_daemon_runs_neither_stalls_nor_shifts_it(night: MakeNight, step: str) -> None:
    vat = Vat(run="quiet-night", alarms=SILENT)
    here, clock = with_a_clock_of_its_own(night, vat)
    here.start()
    here.until(lambda: here.is_made, "a store")
    here.watch(records=8)  # somewhat less than half of the on-delay
    clock.set(float(step))
    here.wait_for("alarm = 'clock-stepped'")
    here.wait_for("cause = 'annunciated' AND alarm = 'no-data'")
    here.watch(records=4)
    assert here.stop() == 0
    stepped = here.rows("SELECT text FROM journal WHERE alarm = 'clock-stepped' AND annunciates")
    assert [text for (text,) in stepped] == [f"The wall clock was stepped: {step} s; delays go by the steady clock"]
    told = check_that_a_replay_tells_the_same(here, vat)
    rows = told.measurements
    assert int(Reason.NONE) not in rows.reason
    (raised,) = [entry for entry in told.entries if entry.annunciates]
    (at,) = (n for n in range(len(rows)) if rows.seq[n] == raised.seq)
    delay_s = (rows.elapsed_us[at] - rows.elapsed_us[0]) / 1e6
    assert 10.0 <= delay_s < 10.0 + 2 * (max(rows.elapsed_us[1:] - rows.elapsed_us[:-1]) / 1e6)
    jumps_s = [round((b - a) / 1e6 / 100) * 100 for a, b in zip(rows.at_us, rows.at_us[1:], strict=False)]
    assert [jump for jump in jumps_s if jump] == [int(step)]
    assert stored(here, vat).measurements.elapsed_us.tolist() == sorted(rows.elapsed_us.tolist())


SET = "cause = 'after-gap' AND text LIKE 'the clock was set%'"
BEGAN = "SELECT json_extract(content, '$.started_us') FROM watch_part WHERE vat = 'marrow' AND part = 'batch'"
BACK = "SELECT count(*) FROM measurement a JOIN measurement b ON b.seq = a.seq + 1 AND b.at_us < a.at_us"


def age_of_batch_s(here: Night) -> float:
    """Return how long ago the batch began, by watch time."""
    ((began_us,),), ((newest_us,),) = here.rows(BEGAN), here.rows("SELECT max(elapsed_us) FROM measurement")
    return float(newest_us - began_us) / 1e6


@pytest.mark.slow
def test_a_machine_without_a_real_time_clock_counts_how_long_it_was_off_once_it_knows(night: MakeNight) -> None:
    vat = Vat(run="quiet-night", alarms=SILENT)
    here, clock = with_a_clock_of_its_own(night, vat)
    here.start()
    here.until(lambda: here.is_made, "a store")
    here.watch(records=2)
    here.answered(here.ask(CommandKind.MARK, note="started"))
    for cut in range(3):
        here.kill()
        clock.set(600 * cut - 2400)  # it boots behind the end of the log
        here.start_and_watch(records=4)
        assert age_of_batch_s(here) < 600 * cut + 60
        clock.set(600 * (cut + 1))  # it learns the time: it was off for ten minutes
        here.until(lambda before=cut: len(here.journal(SET)) > before, "word of it")  # type: ignore[misc]
        here.watch(records=2)
        assert 600 * (cut + 1) <= age_of_batch_s(here) < 600 * (cut + 1) + 60
    assert here.stop() == 0
    assert here.rows(BACK) == [(0,)]
    check_that_a_replay_tells_the_same(here, vat)
