"""Keep secrets out of what is printed of a table.

Law: `SECRETS` names the fields that hold them; `repr` leaves these out, in a log and in a traceback too.
"""

from typing import ClassVar

from logger.structs import Struct


class SecretTable(Struct, frozen=True):
    """Base of the tables that hold secrets."""

    SECRETS: ClassVar[tuple[str, ...]]

    def __repr__(self) -> str:
        """Return it without its secrets."""
        names = (name for name in self.__struct_fields__ if name not in self.SECRETS)
        return f"{type(self).__name__}({', '.join(f'{name}={getattr(self, name)!r}' for name in names)})"
