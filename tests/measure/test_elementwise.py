"""A number and a column of it come to the same."""

from math import isnan, nan

import numpy as np
import pytest

from logger.measure.elementwise import anywhere, column, everywhere, is_column, where


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
