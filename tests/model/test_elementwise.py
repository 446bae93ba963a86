"""A number and a column of it come to the same."""

from math import isnan, nan

import numpy as np
import pytest

from logger.model import Block
from logger.model.elementwise import anywhere, column, everywhere, full, held, is_column, root, where
from tests.series import block


def test_of_two_values_the_condition_chooses() -> None:
    assert where(np.array([True, False]), nan, np.array([4.0, 4.5])).tolist()[1] == 4.5
    assert isnan(where(True, nan, 4.0))
    assert where(False, nan, 4.5) == 4.5


@pytest.mark.parametrize(
    ("bits", "some", "every"), [([0, 0], False, False), ([0, 4], True, False), ([4, 1], True, True)]
)
def test_a_condition_holds_somewhere_or_everywhere(bits: list[int], *, some: bool, every: bool) -> None:
    assert (anywhere(np.array(bits)), everywhere(np.array(bits))) == (some, every)
    assert [anywhere(bit) for bit in bits] == [everywhere(bit) for bit in bits] == [bit != 0 for bit in bits]


@pytest.mark.parametrize(("number", "kind"), [(3, np.int64), (4.5, np.float64)])
def test_a_number_becomes_a_column_of_one(number: float, kind: type) -> None:
    made = column(number)
    assert (made.tolist(), made.dtype, is_column(made)) == ([number], kind, True)
    assert column(made) is made
    assert not is_column(number)


@pytest.mark.parametrize("turns", [[], [(0, 4.5)], [(0, 4.5), (0, 4.7)]])
def test_at_a_single_row_the_last_of_what_begins_there_holds(turns: list[tuple[int, float]]) -> None:
    assert held(np.array([9]), turns, 4.1).tolist() == [held(9, turns, 4.1)]


def test_what_begins_at_a_row_holds_until_the_next_begins() -> None:
    assert held(np.arange(4), [(1, 4.5), (3, 4.7)], 4.1).tolist() == [4.1, 4.5, 4.5, 4.7]


def test_a_root_and_a_number_repeated_are_the_same_either_way() -> None:
    assert root(np.array([2.0])).tolist() == [root(2.0)]
    assert full(np.array([9]), 2).tolist() == [full(9, 2)]


def test_a_row_becomes_numbers_and_a_row_again() -> None:
    row = block([4.5, 4.6])[1:]
    again = row.numbers().columns()
    assert (len(row.numbers()), row.numbers().seq) == (1, row.seq.item())
    assert all(getattr(again, name).tobytes() == getattr(row, name).tobytes() for name in Block.__slots__)
