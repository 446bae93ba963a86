"""A probe left in a buffer, with the real daemon: nothing is claimed from there, and no time ends that."""

import signal

import pytest

from logger.model import CommandKind
from tests.e2e.vat_history import check_that_a_replay_tells_the_same
from tests.parts.daemon import ALARMS, MakeNight, Night, Vat
from tests.parts.guided_terminal import Run

TARGET = """\
[vat.{vat}.target]
ph = 4.6
"""
VAT = Vat(run="quiet-night", alarms=ALARMS + TARGET)
BUFFER = "dip 4.003 25"
"""GB/T 27501 at 25 C."""


@pytest.fixture
def watched(night: MakeNight) -> Night:
    """Return a night whose daemon watches a vat that has a target."""
    here = night(VAT, speed=200.0, poll_s=30.0, starts_h=1.0)
    here.start_and_watch(2)
    return here


def check_that_it_is_held_until_the_word(here: Night) -> None:
    """Wait for twice as long as a claim from the buffer took, over a restart; then say that the probe is back."""
    lost = here.wait_for("cause = 'annunciated' AND alarm = 'trust-lost'")
    began = here.hour
    here.until_hour(began + 0.4)
    here.kill()
    here.start()
    here.until_hour(began + 1.1)
    assert here.journal("cause IN ('measured-at-target', 'reading-at-target')") == []
    assert here.journal("cause = 'annunciated'") == lost
    assert len(here.journal("cause = 'reminder' AND alarm = 'trust-lost'")) >= 1  # every half an hour
    here.simulators[0].hear("vat")
    here.answered(here.ask(CommandKind.MARK, note="probe-in"))
    here.wait_for("cause = 'returned' AND alarm = 'trust-lost'")
    here.until(lambda: here.rows("SELECT belief FROM measurement ORDER BY seq DESC LIMIT 1") == [(0,)], "belief")
    here.stop()
    check_that_a_replay_tells_the_same(here, VAT)


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_a_sitting_broken_off_with_the_probe_in_a_buffer(watched: Night, terminal: Run) -> None:
    bench = terminal(watched, "calibrate", "marrow-probe")
    bench.put(watched, BUFFER)
    bench.press("q")
    bench.see("Press Enter when it is back")
    bench.signal(signal.SIGINT)  # what Ctrl-C sends
    bench.see("the alarms of the vat stay held back: `vatvigil mark marrow probe-in`")
    assert bench.ended() == 1
    assert "on again" not in bench.text
    check_that_it_is_held_until_the_word(watched)


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_a_mark_that_runs_out_with_the_probe_in_a_buffer(watched: Night) -> None:
    watched.answered(watched.ask(CommandKind.MARK, note="probe-out", duration_s=300.0))
    watched.simulators[0].hear(BUFFER)
    check_that_it_is_held_until_the_word(watched)
