"""Check values against published ones and against the standard library's own routines."""

import binascii
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config import Checksum
from logger.probe.checksum import check_value

# The "check" column of the catalogue of parametrised CRC algorithms: the CRC of the ASCII digits 1 to 9.
CRC_CHECKS = {
    Checksum.CRC_8_SMBUS: 0xF4,
    Checksum.CRC_16_ARC: 0xBB3D,
    Checksum.CRC_16_MODBUS: 0x4B37,
    Checksum.CRC_16_XMODEM: 0x31C3,
    Checksum.CRC_16_IBM_3740: 0x29B1,
    Checksum.CRC_32_ISO_HDLC: 0xCBF43926,
}


@pytest.mark.parametrize(("kind", "value"), CRC_CHECKS.items())
def test_a_crc_gives_its_catalogue_check_value(kind: Checksum, value: int) -> None:
    assert check_value(kind, b"123456789") == value


@given(st.binary(max_size=300))
def test_crcs_agree_with_the_standard_library(data: bytes) -> None:
    assert check_value(Checksum.CRC_16_XMODEM, data) == binascii.crc_hqx(data, 0)
    assert check_value(Checksum.CRC_16_IBM_3740, data) == binascii.crc_hqx(data, 0xFFFF)
    assert check_value(Checksum.CRC_32_ISO_HDLC, data) == zlib.crc32(data)


# Intel HEX: the last byte makes the sum of all bytes 0; the well-known example record, from memory.
def test_the_negated_sum_is_that_of_an_intel_hex_record() -> None:
    record = bytes.fromhex("10010000214601360121470136007EFE09D2190140")
    assert check_value(Checksum.SUM_8_NEGATED, record[:-1]) == record[-1]
    assert check_value(Checksum.SUM_8, record) == 0


# NMEA 0183: XOR of what stands between $ and *; a GLL sentence as tutorials print it, from memory.
def test_the_xor_is_that_of_an_nmea_0183_sentence() -> None:
    assert check_value(Checksum.XOR_8, b"GPGLL,5300.97914,N,00259.98174,E,125926,A") == 0x28
