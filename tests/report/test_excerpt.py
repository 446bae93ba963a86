"""A span of the log as the items of a recording."""

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from logger import replay
from logger.model import Block, CheckKind, Command, CommandKind, Measurements
from logger.report.excerpt import items, woven
from logger.store import history, queries
from logger.store.history import RecordSpan
from logger.structs import replace
from logger.watch.pipeline import Watch
from tests.cli.cli_fixture import SECOND_US, House
from tests.series import EPOCH_US, check, of_ph
from tests.store.factories import command


def shape(commands: list[int], *blocks: Block) -> list[int | list[int]]:
    """Return what is woven of commands before these records: their numbers, and the numbers of each block's records."""
    asked = [replace(command(CommandKind.NOTE), seq=seq) for seq in commands]
    return [item.seq if isinstance(item, Command) else item.seq.tolist() for item in woven(asked, blocks)]


TEN = of_ph([4.5] * 10)


@pytest.mark.parametrize(
    ("commands", "expected"),
    [
        ([], [[1, 2, 3], [4, 5, 6, 7, 8, 9, 10]]),
        ([1], [1, [1, 2, 3], [4, 5, 6, 7, 8, 9, 10]]),
        ([2, 2], [[1], 2, 2, [2, 3], [4, 5, 6, 7, 8, 9, 10]]),
        ([4], [[1, 2, 3], 4, [4, 5, 6, 7, 8, 9, 10]]),
        ([3, 9, 10], [[1, 2], 3, [3], [4, 5, 6, 7, 8], 9, [9], 10, [10]]),
    ],
)
def test_each_command_stands_right_before_the_record_it_was_applied_before(
    commands: list[int], expected: list[int | list[int]]
) -> None:
    assert shape(commands, TEN[:3], TEN[3:]) == expected


def test_an_excerpt_after_a_recalibration_knows_what_the_batch_told_before(tmp_path: Path) -> None:
    house = House(folder=tmp_path)
    with house.watch() as watching:
        for begin_us in (EPOCH_US, EPOCH_US + 3600 * SECOND_US):
            made = watching.calibrate(begin_us - 5 * SECOND_US)
            watching.take([150.0] * 3, first_us=begin_us)
            with watching.store.begin() as work:
                told = replace(
                    check(0.03),
                    at_us=begin_us,
                    probe="marrow-probe",
                    calibration=made.id,
                    kind=CheckKind.SPOT,
                    vat="marrow",
                )
                told = work.add_check(told)
                work.add_command(
                    Command(id=0, at_us=begin_us, kind=CommandKind.CHECK, vat="", probe="marrow-probe", check=told)
                )
                work.commit()
            watching.take([150.0] * 5, first_us=begin_us + 30 * SECOND_US)
        span = RecordSpan(vat="marrow", probe="marrow-probe", first=14, last=16)
        logged = Measurements.concatenate(list(history.measurements(watching.store, span)))
        watch = Watch(vat=house.config.vats[0], probe=house.config.probe("marrow-probe"))
        (again,) = [outcome.measurements for outcome in replay.replay(watch, items(watching.store, span))]
    assert again.u.tolist() == logged.u.tolist()


def test_an_excerpt_from_the_middle_gives_the_same_records_also_after_checks(tmp_path: Path) -> None:
    house = House(folder=tmp_path)
    with house.watch() as watching:
        made = watching.calibrate(EPOCH_US - 5 * 86_400 * SECOND_US)
        watching.take([150.0] * 3, first_us=EPOCH_US)
        with watching.store.begin() as work:
            told = work.add_check(replace(check(0.03), probe="marrow-probe", calibration=made.id))
            asked = Command(id=0, at_us=EPOCH_US, kind=CommandKind.CHECK, vat="", probe="marrow-probe", check=told)
            work.add_command(asked)
            work.commit()
        watching.take([150.0] * 5, first_us=EPOCH_US + 30 * SECOND_US)
        span = RecordSpan(vat="marrow", probe="marrow-probe", first=6, last=8)
        logged = Measurements.concatenate(list(history.measurements(watching.store, span)))
        watch = Watch(vat=house.config.vats[0], probe=house.config.probe("marrow-probe"))
        (again,) = [outcome.measurements for outcome in replay.replay(watch, items(watching.store, span))]
        shelf = replay.ReplayStore.open(f"sqlite:///{tmp_path}/again.sqlite", simulated=False)
        with shelf.store:
            (stored,) = [o.measurements for o in replay.replay_into(shelf, watch, items(watching.store, span))]
            assert [c.deviation_ph for c in queries.checks(shelf.store, "marrow-probe")] == [0.03]
        assert watching.acquisition.watched["marrow-probe"].state.carry.electrode.estimate is not None
    assert again.u.tolist() == stored.u.tolist() == logged.u.tolist()
    for field in fields(Measurements):
        if field.name not in ("tests", "previous_spike", "since_at_us"):  # what looks back sees less in an excerpt
            np.testing.assert_array_equal(getattr(again, field.name), getattr(logged, field.name), err_msg=field.name)
