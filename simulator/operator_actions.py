"""Define what an operator does and marks in a run.

Law: a mark changes nothing in the vat; the action does (topping up; stirring is a `Fault` beside it).
"""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorAction:
    """One mark at this hour of the run; `part` of the liquid is then replaced by fresh brine."""

    hour: float
    mark: str
    litres: float | None = None
    part: float = 0.0


def dilutions(actions: Iterable[OperatorAction]) -> dict[float, float]:
    """Return the parts of the liquid that are replaced, by run hour."""
    return {action.hour: action.part for action in actions if action.part}
