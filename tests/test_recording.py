"""The reader of recordings: what it takes for a gap, and what it refuses."""

import os
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import msgspec
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


ROWS = {
    "seq": [1],
    "at_us": [0],
    "elapsed_us": [0],
    "potential_mv": [1.0],
    "temperature_c": [20.0],
    "reason": [0],
}


def refusal(*lines: object) -> str:
    """Return the sentence with which these lines are refused."""
    text = b"\n".join(line if isinstance(line, bytes) else msgspec.json.encode(line) for line in lines)
    with pytest.raises(RefusedError) as refused:
        list(recording.read(BytesIO(text), name="night.jsonl")[1])
    return str(refused.value)


@pytest.mark.parametrize("poll_s", [0.0, -1.0, 1e9])
def test_a_pace_that_nobody_can_read_at_is_refused(poll_s: float) -> None:
    assert "line 1: poll_s must be above 0" in refusal(msgspec.structs.replace(HEADER, poll_s=poll_s))


@pytest.mark.parametrize("name", ["a\x1b[2J", "a\nb", "a\u202eb", "a" * 300])
@pytest.mark.parametrize("field", ["vat", "probe", "run"])
def test_a_name_that_hides_something_is_refused_and_shown_harmlessly(field: str, name: str) -> None:
    said = refusal(msgspec.structs.replace(HEADER, **{field: name}))
    assert "is no name" in said
    assert said.isprintable()


@pytest.mark.parametrize(
    "rows",
    [
        {"at_us": [2**62]},
        {"at_us": [-1]},
        {"elapsed_us": [2**62]},
        {"elapsed_us": [-1]},
        {"at_us": [10**30]},
        {"potential_mv": [1e300]},
        {"temperature_c": [-1e300]},
    ],
)
def test_times_and_values_that_no_instrument_tells_are_refused(rows: dict[str, object]) -> None:
    assert "night.jsonl, line 2: " in refusal(HEADER, {"rows": {**ROWS, **rows}})


@pytest.mark.parametrize("deep", [b"[" * 100_000, b'{"command":' * 100_000, b'{"rows":{"seq":' + b"[" * 100_000])
@pytest.mark.parametrize("first", [True, False], ids=["header", "line"])
def test_deep_nesting_is_refused(deep: bytes, *, first: bool) -> None:
    assert "night.jsonl, line " in refusal(*([] if first else [HEADER]), deep)


def test_a_line_without_end_is_refused_in_seconds_and_little_memory(tmp_path: Path) -> None:
    file = tmp_path / "night.jsonl"
    file.write_bytes(msgspec.json.encode(HEADER) + b'\n{"rows":{"seq":[' + b"1," * 50_000_000 + b"1]}}\n")
    program = (
        "import resource, sys\nfrom logger import recording\nfrom logger.errors import RefusedError\n"
        "resource.setrlimit(resource.RLIMIT_AS, (500_000_000, 500_000_000))\n"
        "try:\n    list(recording.read(open(sys.argv[1], 'rb'), name='night.jsonl')[1])\n"
        "except RefusedError as refused:\n    print(refused)\n"
    )
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-P", "-c", program, str(file)], capture_output=True, timeout=30, check=True, env=environment
    )
    assert b"night.jsonl, line 2: it is longer than 4 MB" in done.stdout
