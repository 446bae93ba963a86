"""Compute checksums and CRCs by their published definitions. No I/O.

Law: a name stands for one computation. CRCs are given by the parameters of the Rocksoft model (R. Williams, "A painless
guide to CRC error detection algorithms", 1993) as the public catalogue of parametrised CRC algorithms lists them; their
names are that catalogue's. Sums and XOR are over the bytes themselves, modulo 256.
"""

from functools import reduce
from operator import xor
from types import MappingProxyType
from typing import Final

from logger.config import Checksum
from logger.structs import Struct


class _Crc(Struct, frozen=True):
    """Width in bits, polynomial, register at the start, both ends of bytes swapped, XOR at the end."""

    width: int
    polynomial: int
    start: int
    reflected: bool
    final: int


_CRCS: Final = MappingProxyType(
    {
        Checksum.CRC_8_SMBUS: _Crc(8, 0x07, 0, False, 0),
        Checksum.CRC_16_ARC: _Crc(16, 0x8005, 0, True, 0),
        Checksum.CRC_16_MODBUS: _Crc(16, 0x8005, 0xFFFF, True, 0),
        Checksum.CRC_16_XMODEM: _Crc(16, 0x1021, 0, False, 0),
        Checksum.CRC_16_IBM_3740: _Crc(16, 0x1021, 0xFFFF, False, 0),
        Checksum.CRC_32_ISO_HDLC: _Crc(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
    }
)


def check_value(kind: Checksum, data: bytes) -> int:
    """Return the check value of `data`: 8, 16 or 32 bits, by kind."""
    match kind:
        case Checksum.SUM_8:
            return sum(data) % 256
        case Checksum.SUM_8_NEGATED:
            return -sum(data) % 256
        case Checksum.XOR_8:
            return reduce(xor, data, 0)
        case _:
            return _crc(_CRCS[kind], data)


def _crc(crc: _Crc, data: bytes) -> int:
    """Return a CRC bit by bit: a line has 256 bytes at most."""
    top, register = 1 << (crc.width - 1), crc.start
    for byte in data:
        register ^= (_mirrored(byte, 8) if crc.reflected else byte) << (crc.width - 8)
        for _ in range(8):
            register = (register << 1) ^ (crc.polynomial if register & top else 0)
        register &= (top << 1) - 1
    return (_mirrored(register, crc.width) if crc.reflected else register) ^ crc.final


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)
