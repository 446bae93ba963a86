"""Describe a Modbus instrument: which registers hold what. Frozen; units and numbers as in its manual.

Law: numbers of registers are those on the wire (PDU), counted from 0. The bytes of a register are in the standard's
order; only the order of the registers of a 32-bit number is the instrument's own choice.
"""

from enum import StrEnum
from typing import Annotated, Final

from annotated_types import Ge, Le

from logger.structs import Struct


class NumberType(StrEnum):
    """How a number stands in its registers."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"

    @property
    def registers(self) -> int:
        """Return how many registers it takes."""
        return 1 if self in (NumberType.INT16, NumberType.UINT16) else 2


class WordOrder(StrEnum):
    """Which register of a 32-bit number comes first."""

    HIGH_FIRST = "high-first"
    LOW_FIRST = "low-first"


class Unit(StrEnum):
    """What a number counts, after scale and offset."""

    MILLIVOLT = "mV"
    VOLT = "V"
    PH = "pH"
    CELSIUS = "C"
    KELVIN = "K"
    FAHRENHEIT = "F"


RegisterNumber = Annotated[int, Ge(0), Le(65535)]
UNITS: Final = {
    "potential": (Unit.MILLIVOLT, Unit.VOLT),
    "ph": (Unit.PH,),
    "temperature": (Unit.CELSIUS, Unit.KELVIN, Unit.FAHRENHEIT),
}
"""Units by quantity; the first is what is meant when none is written."""


class RegisterConfig(Struct, frozen=True, kw_only=True):
    """One quantity: number * scale + offset, in `unit`."""

    number: RegisterNumber
    """Number of the first register as on the wire, counted from 0."""
    type: NumberType = NumberType.FLOAT32
    """How the number stands in the register, or in two: signed or unsigned integer, or floating point."""
    word_order: WordOrder = WordOrder.HIGH_FIRST
    """Which of the two registers of a 32-bit number comes first: the high or the low half."""
    scale: float = 1.0
    """The value is the number in the register times `scale`, plus `offset`, in `unit`."""
    offset: float = 0.0
    """See `scale`."""
    unit: Unit | None = None
    """Unit of the value; not written: mV, pH or C, by the quantity."""
    no_value: tuple[int, ...] = ()
    """Numbers, before scale and offset, by which the instrument says that it has no value."""


class StatusConfig(Struct, frozen=True, kw_only=True):
    """A register whose bits say that the values beside it are none."""

    number: RegisterNumber
    """Number of the register as on the wire, counted from 0."""
    bits: tuple[Annotated[int, Ge(0), Le(15)], ...]
    """Numbers of the bits, 0 (lowest) to 15, that say that the values are none; one of them set is enough."""


class ModbusConfig(Struct, frozen=True, kw_only=True):
    """Where a probe is on its line, and what its registers hold."""

    address: int = 1
    """Address of the instrument: 1 to 247 on a serial line; 0 or 255 too for one that is itself on TCP."""
    function: int = 3
    """By which function the registers are read: 3 for holding registers, 4 for input registers."""
    potential: RegisterConfig | None = None
    ph: RegisterConfig | None = None
    """For a probe that reports no potential."""
    temperature: RegisterConfig | None = None
    status: StatusConfig | None = None
    identify: bool = True
    """If false, it is not asked to identify itself (43/14): some do not answer that at all, not even by an
    exception.
    """

    @property
    def reports_own_ph(self) -> bool:
        """Tell whether no register holds a potential."""
        return self.potential is None

    @property
    def has_thermometer(self) -> bool:
        """Tell whether a register holds a temperature."""
        return self.temperature is not None
