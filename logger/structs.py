"""Make data: structs of msgspec, written and changed as dataclasses are.

Law: what only holds values is a `Struct` with `frozen=True`; what changes while it runs is one without. A dataclass
remains where a field is worked out from others (`init=False`) or says more of itself than a type and a default
(`model/records.py`), and in rooms that the daemon does not import.

A dataclass is compiled from text each time that the program starts, about 1 ms for a frozen one; a struct takes 0.06
ms, is made in a tenth and replaced in a twentieth of the time. Of these the daemon had some 220.
"""

import dataclasses
from typing import TYPE_CHECKING, Any, TypeVar

from msgspec import Struct, field, structs

if TYPE_CHECKING:
    from dataclasses import replace  # the same call, and mypy knows what it may be given
else:
    _Data = TypeVar("_Data")

    def replace(data: _Data, /, **changes: Any) -> _Data:  # noqa: ANN401 - any field's value
        """Return a copy with other values, of a struct or of a dataclass."""
        change = structs.replace if isinstance(data, Struct) else dataclasses.replace
        return change(data, **changes)


def field_names(data: Any) -> tuple[str, ...]:  # noqa: ANN401 - a struct, a dataclass, or the class of one
    """Return the names of the fields, in the order in which they are declared."""
    if isinstance(data, Struct) or (isinstance(data, type) and issubclass(data, Struct)):
        return data.__struct_fields__
    return tuple(each.name for each in dataclasses.fields(data))


__all__ = ["Struct", "field", "field_names", "replace"]
