"""A vat with two probes: each value says whose it is, and their disagreement is an alarm of the first."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logger import settings
from logger.config import AlarmKind, Config, Priority
from logger.daemon.blocks import COMPARED_US
from logger.daemon.cycle import Acquisition, WatchedProbe
from logger.errors import ConfigurationError
from logger.model import Cause, Command, CommandKind, Entry, Indication, Outcome, Reason
from logger.store import Store
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.series import EPOCH_US, calibration, millivolts

SECOND_US = 1_000_000
FILE = """
[store]
path = "night.db"
[probe.one]
port = "/dev/one"
poll_s = 40
[probe.two]
port = "/dev/two"
poll_s = 40
[vat.marrow]
name = "Marrow"
probe = "one"
reference = "two"
"""


def configured(folder: Path, text: str = FILE) -> Config:
    path = folder / "vatvigil.toml"
    path.write_text(text)
    return settings.load(path, environ={})


@pytest.fixture
def acquisition(tmp_path: Path) -> Iterator[Acquisition]:
    """Return the acquisition of a vat with two probes, each calibrated before its first record."""
    config = configured(tmp_path)
    with Store.open(config.store_url, simulated=False, migrate=True) as store:
        with store.begin() as work:
            for probe in ("one", "two"):
                made = work.add_calibration(calibration(probe))
                work.add_command(
                    Command(id=0, at_us=EPOCH_US, kind=CommandKind.CALIBRATE, vat="", probe=probe, calibration=made)
                )
            work.commit()
        watches = [Watch(vat=vat, probe=config.probe(vat.probe)) for vat in config.vats]
        yield Acquisition(store, {w.probe.id: WatchedProbe(w, pipeline.fresh(w), 0) for w in watches})


def read(probe: str, ph: float | None, k: int) -> Indication:
    return Indication(
        probe=probe,
        at_us=EPOCH_US + k * SECOND_US,
        elapsed_us=k * SECOND_US,
        potential_mv=None if ph is None else millivolts(ph),
        temperature_c=None if ph is None else 20.0,
        reason=Reason.TIMEOUT if ph is None else Reason.NONE,
    )


def entries_of(acquisition: Acquisition, one: list[float], two: list[float | None]) -> list[Entry]:
    """Let both be read every 40 s, the second 3 s after the first; return what is journalled of the first."""
    found: list[Entry] = []
    for k, (a, b) in enumerate(zip(one, two, strict=True)):
        batch = acquisition.evaluate([read("one", a, 40 * k), read("two", b, 40 * k + 3)])
        found += [e for o in batch.outcomes if o.vat == "marrow" for e in o.entries if e.alarm == "disagreement"]
    return found


def test_the_second_probe_is_watched_by_itself_and_wakes_nobody(tmp_path: Path) -> None:
    first, second = configured(tmp_path).vats
    assert (second.id, second.name, second.probe, second.reference_of) == (
        "marrow-reference",
        "Marrow (reference)",
        "two",
        "marrow",
    )
    assert {alarm.priority for alarm in second.alarms} == {Priority.MEDIUM}
    assert AlarmKind.DISAGREEMENT in {alarm.kind for alarm in first.alarms}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (FILE.replace('"two"', '"three"'), 'vat.marrow.reference = "three": there is no such probe'),
        (FILE.replace('reference = "two"', 'reference = "one"'), "vat 'marrow' has this probe already"),
        (FILE + '[vat.marrow-reference]\nprobe = "two"\n', "the second probe of 'marrow' is watched under this name"),
        (
            FILE.replace('reference = "two"', '[vat.marrow.alarm.disagreement]\n[vat.x]\nprobe = "two"'),
            "this vat has one probe: there is nothing to compare",
        ),
    ],
)
def test_what_cannot_be_compared_is_refused(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(ConfigurationError) as refused:
        configured(tmp_path, text)
    assert sentence in str(refused.value)


def test_probes_that_agree_raise_nothing(acquisition: Acquisition) -> None:
    rng = np.random.default_rng(1)
    one, two = (4.5 + rng.normal(0, 0.02, (2, 75))).tolist()
    assert entries_of(acquisition, one, two) == []


def test_probes_that_differ_raise_one_alarm_and_it_returns(acquisition: Acquisition) -> None:
    apart, together = [4.9] * 50, [4.52] * 50
    found = entries_of(acquisition, [4.5] * 100, [*apart, *together])
    assert [entry.cause for entry in found] == [Cause.ANNUNCIATED, Cause.RETURNED]
    assert "The two probes in the vat differ" in found[0].text


def test_a_second_probe_that_says_nothing_is_no_disagreement(acquisition: Acquisition) -> None:
    assert entries_of(acquisition, [4.5] * 50, [None] * 50) == []


def test_each_record_holds_what_the_second_probe_said_last_and_nothing_older_than_the_limit(
    acquisition: Acquisition,
) -> None:
    late = COMPARED_US // SECOND_US
    acquisition.evaluate([read("two", 4.7, 0)])
    outcomes: list[Outcome] = []
    for k in (0, late, late + 1):
        outcomes += acquisition.evaluate([read("one", 4.5, k)]).outcomes
    said = [float(outcome.measurements.reference_ph[0]) for outcome in outcomes]
    assert said == pytest.approx([4.7, 4.7, np.nan], abs=1e-6, nan_ok=True)
