"""What a person does in a run and says so: data, and the recorded commands that say it.

Law: what is said changes nothing in the vat, what is done does (topping up; stirring is a `Fault` beside it).
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


def dilutions(deeds: Iterable[OperatorAction]) -> dict[float, float]:
    """Return the parts of the liquid that are replaced, by run hour."""
    return {deed.hour: deed.part for deed in deeds if deed.part}
