"""Frames against the published ones; fed whole, byte by byte and with trailing bytes; random and broken ones.

The bytes are the examples of MODBUS Application Protocol V1.1b3, MODBUS over Serial Line V1.02 and MODBUS Messaging on
TCP/IP V1.0b, from memory. The CRC's check value is that of the public catalogue of parametrised CRC algorithms.
"""

import random
import struct
from binascii import unhexlify

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from logger.config import Checksum
from logger.probe.checksum import check_value
from logger.probe.modbus_frames import Frames, InvalidFrame, MbapFrames, ModbusFrame, RtuFrames, mbap, rtu
from tests.probe.mass_replies import REPLIES

REQUEST = rtu(0x11, b"\x03\x00\x6b\x00\x03")
IDENTIFY = rtu(1, b"\x2b\x0e\x01\x00")


def hexed(text: str) -> bytes:
    return unhexlify(text.replace(" ", ""))


# 6.21, the example of Read Device Identification; 6.3: registers 108 to 110; 6.4: register 9; 7: an exception
IDENTIFICATION = hexed("2b 0e 01 01 00 00 03 00 16") + b"Company identification\x01\x0fProduct code XX\x02\x05V2.11"
PDUS = [
    pytest.param(hexed("03 06 02 2b 00 00 00 64"), id="holding-registers"),
    pytest.param(hexed("04 02 00 0a"), id="input-register"),
    pytest.param(hexed("83 02"), id="exception"),
    pytest.param(IDENTIFICATION, id="identification"),
]


def test_the_checksum_is_the_published_one() -> None:
    # catalogue of parametrised CRC algorithms, CRC-16/MODBUS: check 0x4b37 over "123456789"
    assert check_value(Checksum.CRC_16_MODBUS, b"123456789") == 0x4B37
    # Serial Line V1.02, 6.2.2: address 2, function 7 -> 41 12
    assert rtu(2, b"\x07") == hexed("02 07 41 12")


@given(st.binary(max_size=260))
def test_the_checksum_is_that_of_another_library(data: bytes) -> None:
    swapped = check_value(Checksum.CRC_16_MODBUS, data).to_bytes(2, "little")
    assert swapped == FramerRTU.compute_CRC(data).to_bytes(2, "big")


def test_a_frame_for_tcp_is_the_published_one() -> None:
    # Messaging on TCP/IP V1.0b, 4.2: transaction 0x1501, unit 0xff, one register from 4
    assert mbap(0x1501, 0xFF, hexed("03 00 04 00 01")) == hexed("15 01 00 00 00 06 ff 03 00 04 00 01")
    frames = MbapFrames(0x1501)
    frames.feed(hexed("15 01 00 00 00 05 ff 03 02 00 05"))
    assert frames.next_frame() == ModbusFrame(address=0xFF, pdu=hexed("03 02 00 05"))


def outcomes(frames: Frames, pieces: list[bytes]) -> list[ModbusFrame | InvalidFrame]:
    """All that comes out up to the first that is broken."""
    found: list[ModbusFrame | InvalidFrame] = []
    for piece in pieces:
        frames.feed(piece)
        while (frame := frames.next_frame()) is not None:
            found.append(frame)
            if isinstance(frame, InvalidFrame):
                return found
    return found


def single(data: bytes) -> list[bytes]:
    return [bytes([byte]) for byte in data]


@pytest.mark.parametrize("pdu", PDUS)
def test_a_reply_fed_whole_byte_by_byte_and_with_trailing_bytes_is_the_same(pdu: bytes) -> None:
    expected = ModbusFrame(address=0x11, pdu=pdu)
    for sent, kind in ((rtu(0x11, pdu), RtuFrames(REQUEST)), (mbap(7, 0x11, pdu), MbapFrames(7))):
        for pieces in ([sent], single(sent), [sent + b"\x00\xff\x11"]):
            fresh = RtuFrames(REQUEST) if isinstance(kind, RtuFrames) else MbapFrames(7)
            assert outcomes(fresh, pieces)[0] == expected


@pytest.mark.parametrize("pdu", PDUS)
def test_an_echo_of_the_request_is_taken_out_in_front_of_the_reply(pdu: bytes) -> None:
    for pieces in ([REQUEST + rtu(0x11, pdu)], single(REQUEST + rtu(0x11, pdu))):
        frames = RtuFrames(REQUEST)
        assert outcomes(frames, pieces) == [ModbusFrame(address=0x11, pdu=pdu)]
        assert frames.is_echoed


@pytest.mark.parametrize("pdu", PDUS)
def test_no_part_of_a_reply_is_one(pdu: bytes) -> None:
    sent = rtu(0x11, pdu)
    for end in range(len(sent)):
        assert outcomes(RtuFrames(REQUEST), [sent[:end]]) == []


@pytest.mark.parametrize("pdu", PDUS)
def test_no_reply_with_a_bit_changed_is_one(pdu: bytes) -> None:
    sent = rtu(0x11, pdu)
    for bit in range(8 * len(sent)):
        changed = (int.from_bytes(sent, "big") ^ 1 << bit).to_bytes(len(sent), "big")
        assert [each for each in outcomes(RtuFrames(REQUEST), [changed]) if isinstance(each, ModbusFrame)] == []


def test_replies_of_earlier_transactions_are_dropped() -> None:
    late, now = mbap(6, 1, b"\x03\x02\x00\x01"), mbap(7, 1, b"\x03\x02\x00\x02")
    assert outcomes(MbapFrames(7), [late + now]) == [ModbusFrame(address=1, pdu=b"\x03\x02\x00\x02")]


def test_a_neighbours_reply_comes_out_as_its_own_before_ours() -> None:
    other, ours = rtu(9, b"\x04\x02\x00\x01"), rtu(0x11, b"\x03\x02\x00\x02")
    found = outcomes(RtuFrames(REQUEST), [other + ours])
    assert [each.address for each in found if isinstance(each, ModbusFrame)] == [9, 0x11]


def valid_rtu(frame: bytes) -> bool:
    """The standard's rule, by another library's checksum."""
    return FramerRTU.compute_CRC(frame[:-2]).to_bytes(2, "big") == frame[-2:]


def check_stream(data: bytes, request: bytes) -> None:
    """What comes out of any bytes lies in them, without a gap from the beginning, each with its checksum."""
    whole = outcomes(RtuFrames(request), [data])
    assert outcomes(RtuFrames(request), single(data)) == whole
    frames = [each for each in whole if isinstance(each, ModbusFrame)]
    joined = b"".join(rtu(each.address, each.pdu) for each in frames)
    assert data.startswith((joined, request + joined))
    assert all(valid_rtu(rtu(each.address, each.pdu)) for each in frames)


def check_tcp(data: bytes, transaction: int) -> None:
    whole = outcomes(MbapFrames(transaction), [data])
    assert outcomes(MbapFrames(transaction), single(data)) == whole
    for each in whole:
        if isinstance(each, ModbusFrame):
            assert mbap(transaction, each.address, each.pdu) in data


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """Replies in a row, with bytes changed, lost, doubled or put in."""
    pdus = [b"\x03\x04" + draw(st.binary(min_size=4, max_size=4)), b"\x83\x02", b"\x04\x02\x00\x0a", IDENTIFICATION]
    sent = draw(st.lists(st.sampled_from(pdus).map(lambda pdu: rtu(1, pdu)), min_size=1, max_size=3))
    data = bytearray(b"".join(sent))
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(data)))
        data[at : at + draw(st.integers(0, 2))] = draw(st.binary(max_size=2))
    return bytes(data)


@given(st.one_of(mutated(), st.binary(max_size=300)))
@example(IDENTIFY)
@example(IDENTIFY + rtu(1, IDENTIFICATION))
@example(b"\x01\x2b\x0e" + b"\xff" * 300)
def test_random_and_mutated_bytes_bring_no_frame_that_the_standard_does_not(data: bytes) -> None:
    check_stream(data, IDENTIFY)
    check_stream(data, REQUEST)


@given(st.integers(0, 65535), st.lists(st.binary(min_size=2, max_size=40), max_size=3), st.binary(max_size=20))
def test_random_bytes_on_tcp_bring_no_frame_of_another_transaction(
    transaction: int, pdus: list[bytes], tail: bytes
) -> None:
    sent = b"".join(mbap(transaction + at & 0xFFFF, 1, pdu) for at, pdu in enumerate(pdus))
    check_tcp(sent + tail, transaction)


@REPLIES
def test_masses_of_mutated_replies_bring_no_frame_that_the_standard_does_not(replies: int) -> None:
    chance = random.Random(1)  # noqa: S311 - the same replies each time, no secret
    originals = [rtu(1, b"\x03\x04" + chance.randbytes(4)) for _ in range(50)] + [rtu(1, b"\x83\x02")]
    for _ in range(replies):
        data = bytearray(chance.choice(originals))
        for _ in range(chance.randint(0, 3)):
            at = chance.randint(0, len(data))
            data[at : at + chance.randint(0, 1)] = chance.randbytes(chance.randint(0, 2))
        frames = RtuFrames(REQUEST)
        frames.feed(bytes(data))
        frame = frames.next_frame()
        if isinstance(frame, ModbusFrame):
            sent = rtu(frame.address, frame.pdu)
            assert (bytes(data[: len(sent)]), valid_rtu(sent)) == (sent, True)
            # a mutation that keeps length, address, function and checksum all right has a chance of 2^-16 each
            assert struct.unpack(">B", sent[:1]) == (frame.address,)
