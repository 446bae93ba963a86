"""The checksum of Modbus serial frames. Law: a pure function of bytes."""

from typing import Final

_POLYNOMIAL: Final = 0xA001
"""x^16 + x^15 + x^2 + 1, bits reversed (MODBUS over Serial Line V1.02, 6.2.2; from memory)."""


def _entry(byte: int) -> int:
    for _ in range(8):
        byte = (byte >> 1) ^ (_POLYNOMIAL if byte & 1 else 0)
    return byte


_TABLE: Final = tuple(map(_entry, range(256)))


def crc16(data: bytes) -> bytes:
    """Return the two bytes that end a frame of `data`, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc.to_bytes(2, "little")
