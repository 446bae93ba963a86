"""Do to a number what numpy does to a column, for functions that take either.

Law: elementwise, and the same bits both ways. A live record is judged by numbers: numpy takes 1 to 5 us for each step
over a column of one, bare numbers 0.05, and a record takes some hundred steps.
"""

from collections.abc import Iterable
from math import sqrt
from typing import TypeGuard

import numpy as np
from numpy.typing import NDArray

from logger.model.records import Value


def is_column(value: Value) -> TypeGuard[NDArray[np.generic]]:
    """Tell whether it is a column, not a bare number."""
    return isinstance(value, np.ndarray)


def where(condition: Value, yes: Value, no: Value) -> Value:
    """Return the first value where the condition holds, else the second."""
    if is_column(condition):
        return np.where(condition, yes, no)
    return yes if condition else no


def root(value: Value) -> Value:
    """Return the square root."""
    return np.sqrt(value) if is_column(value) else sqrt(value)


def full(like: Value, number: float) -> Value:
    """Return the number as often as there are rows."""
    return np.full(len(like), number) if is_column(like) else number


def held(like: Value, turns: Iterable[tuple[int, float]], before: float) -> Value:
    """Return what holds at each row, of numbers that each hold from a row on; at a single row the last of them does."""
    made = full(like, before)
    for row, number in turns:
        if is_column(made):
            made[row:] = number
        else:
            made = number
    return made


def anywhere(condition: Value) -> bool:
    """Tell whether it holds at all: it is not 0 somewhere."""
    return bool(np.count_nonzero(condition)) if is_column(condition) else bool(condition)


def everywhere(condition: Value) -> bool:
    """Tell whether it holds in all rows."""
    return bool(condition.all()) if is_column(condition) else bool(condition)


def column(value: Value) -> Value:
    """Return a number as a column of one."""
    return value if is_column(value) else np.array([value])
