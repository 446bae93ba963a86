"""A span of the log as the items of a recording."""

from dataclasses import replace

import pytest

from logger.model import Block, Command, CommandKind
from logger.report.excerpt import woven
from tests.series import of_ph
from tests.store.making import command


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
