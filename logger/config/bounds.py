"""Declare the bounds that settings share: each is the type of a field, with what its value must keep to.

Law: a bound stands in the type of its field, as `annotated_types`; `logger/settings` reads it there, words the sentence
and refuses the file. Building one of these objects checks nothing.
"""

from typing import Annotated

from annotated_types import Ge, Gt, Le, Len, Predicate

YEAR_S = 366 * 86400.0
"""The longest delay that makes sense."""


def is_one_line(text: str) -> bool:
    """Tell whether a text can be printed on one line and is more than blanks; an empty one can."""
    return text.isprintable() and bool(text.strip() or not text)


Positive = Annotated[float, Gt(0)]
NotNegative = Annotated[float, Ge(0)]
Delay = Annotated[float, Ge(0), Le(YEAR_S)]
"""Seconds; 0 is at once."""
Duration = Annotated[float, Ge(1), Le(YEAR_S)]
"""Seconds."""
PH = Annotated[float, Ge(-2), Le(16)]
"""pH by convention, and what strong acids and bases reach."""
Label = Annotated[str, Len(0, 60), Predicate(is_one_line)]
"""A lot, a serial number; it may be empty."""
Line = Annotated[str, Len(1, 200), Predicate(is_one_line)]
