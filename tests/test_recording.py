"""The reader of recordings: what it takes for a gap, and what it refuses."""

from io import BytesIO

import numpy as np
import pytest

from logger import recording
from logger.errors import RefusedError
from logger.model import Block
from logger.recording import Header

HEADER = Header(recording=1, simulated=True, vat="vat", probe="probe", poll_s=10.0)


def block(*seqs: int) -> Block:
    seq = np.array(seqs)
    ones = np.ones(len(seqs))
    return Block(
        seq=seq,
        at_us=seq * 10_000_000,
        elapsed_us=seq * 10_000_000,
        potential_mv=ones,
        temperature_c=ones,
        reason=np.zeros(len(seqs), dtype=np.int64),
        reference_ph=ones * np.nan,
        reference_u=ones * np.nan,
    )


def read_back(*blocks: Block) -> list[int]:
    stream = BytesIO()
    recording.write(stream, HEADER, blocks)
    stream.seek(0)
    _, items = recording.read(stream, name="night.jsonl")
    return [int(seq) for item in items if isinstance(item, Block) for seq in item.seq]


def test_numbers_that_are_missing_are_a_gap() -> None:
    assert read_back(block(1, 2, 5, 6), block(9, 10)) == [1, 2, 5, 6, 9, 10]


@pytest.mark.parametrize("blocks", [(block(1, 2), block(2, 3)), (block(2, 1),), (block(0, 1),)])
def test_numbers_that_do_not_rise_are_refused(blocks: tuple[Block, ...]) -> None:
    with pytest.raises(RefusedError, match=r"night.jsonl, line \d"):
        read_back(*blocks)
