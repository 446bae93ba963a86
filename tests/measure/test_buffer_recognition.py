"""Which buffer is this? Against the design's figures and printed tables."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.measure.buffer_recognition import Recognition, RecognitionOutcome, recognise
from logger.measure.buffers import BUFFERS, Buffer
from logger.model import CalibrationPoint
from tests.series import calibration

PHTHALATE, PHOSPHATE, BORAX = (BUFFERS[f"nist-{name}"] for name in ("phthalate", "phosphate", "borax"))
TABLE = (PHTHALATE, PHOSPHATE, BORAX)
SEVEN = BUFFERS["technical-7.00"]


def told(found: Recognition) -> str:
    return " ".join(found.sentences)


# By the Nernst equation, an ideal electrode gives +8 / +177 / -129 mV at 25 C.
@pytest.mark.parametrize(("buffer", "mv"), [(PHOSPHATE, 8), (PHTHALATE, 177), (BORAX, -129)])
def test_the_three_buffers_of_the_trade_are_recognised_by_their_millivolts(buffer: Buffer, mv: float) -> None:
    found = recognise(mv, 25.0, buffers=TABLE)
    assert found.outcome is RecognitionOutcome.RECOGNISED
    assert found.chosen is not None
    assert (found.chosen.buffer, found.chosen.expected_mv) == (buffer, pytest.approx(mv, abs=0.6))


# European Pharmacopoeia 2.2.3, Table 2 (two decimals), with the Nernst slopes of USP <791> Table 1.
@pytest.mark.parametrize(
    ("celsius", "k_mv", "ph"),
    [(15.0, 57.18, (4.00, 6.90, 9.28)), (20.0, 58.17, (4.00, 6.88, 9.23)), (35.0, 61.15, (4.02, 6.84, 9.10))],
)
def test_what_is_expected_follows_the_temperature(celsius: float, k_mv: float, ph: tuple[float, ...]) -> None:
    for buffer, value in zip(TABLE, ph, strict=True):
        found = recognise(k_mv * (7 - value), celsius, buffers=TABLE)
        assert found.chosen is not None
        assert found.chosen.buffer is buffer
        assert abs(found.chosen.distance_mv) < 0.01 * k_mv  # the printed decimals


@given(
    st.sampled_from(TABLE),
    st.floats(5, 40),
    st.floats(0.85, 1.05),
    st.floats(-20, 20),
)
def test_an_old_electrode_is_recognised_like_a_new_one(
    buffer: Buffer, celsius: float, slope: float, offset_mv: float
) -> None:
    expected = recognise(0.0, celsius, buffers=[buffer]).candidates[0].expected_mv
    found = recognise(offset_mv + slope * expected, celsius, buffers=TABLE)
    assert found.chosen is not None
    assert found.chosen.buffer is buffer


def test_the_last_calibration_tells_what_this_electrode_gives() -> None:
    # By the Nernst equation: 174.2 mV in 4.005, 6.1 mV in 6.865 at 25 C.
    found = recognise(174.2, 25.0, buffers=TABLE, calibration=calibration())
    assert found.chosen is not None
    assert found.chosen.distance_mv == pytest.approx(0.2, abs=0.1)  # the table prints 4.008 there


@pytest.mark.parametrize(
    ("off_mv", "found"), [(59.0, RecognitionOutcome.RECOGNISED), (61.0, RecognitionOutcome.UNKNOWN)]
)
def test_beyond_sixty_millivolts_nothing_is_recognised(off_mv: float, found: RecognitionOutcome) -> None:
    assert recognise(177.0 + off_mv, 25.0, buffers=TABLE).outcome is found


def test_what_fits_nothing_names_the_nearest_and_what_to_look_at() -> None:
    found = recognise(330.0, 25.0, buffers=TABLE)
    assert (found.outcome, found.chosen) == (RecognitionOutcome.UNKNOWN, None)
    assert told(found) == (
        "+330.0 mV fits none of the buffers on the table; the nearest, phthalate 4.01, should give about +177 mV. Is "
        "the cap off, are bulb and junction in the buffer, is the plug dry, is this a buffer at all?"
    )


def test_exchanged_wires_are_suspected() -> None:
    found = recognise(-177.0, 25.0, buffers=(PHTHALATE, PHOSPHATE))
    assert "are the two wires of the electrode exchanged?" in told(found)


def test_a_technical_seven_cannot_be_told_from_the_phosphate() -> None:
    found = recognise(6.0, 25.0, buffers=(*TABLE, SEVEN))
    assert (found.outcome, found.chosen) == (RecognitionOutcome.AMBIGUOUS, None)
    assert told(found) == (
        "This may be phosphate 6.87 (nist-phosphate, +8 mV) or technical-7.00 buffer (technical-7.00, +0 mV). They are "
        "too alike for the probe to tell apart. Read the label on the bottle and name the buffer."
    )


def test_named_it_is_taken_with_a_warning() -> None:
    found = recognise(6.0, 25.0, buffers=(*TABLE, SEVEN), named=SEVEN)
    assert (found.outcome, found.chosen and found.chosen.buffer) == (RecognitionOutcome.RECOGNISED, SEVEN)
    # 7.00 - 6.865 = 0.135, to two decimals
    assert told(found).endswith(
        "cannot tell it from phosphate 6.87 (pH 6.87): read the label once more. The wrong one puts this point off by "
        "0.13."
    )


def test_buffers_that_lie_near_each_other_are_for_the_person_to_tell() -> None:
    found = recognise(200.0, 25.0, buffers=(PHTHALATE, BUFFERS["nist-tartrate"]))
    assert found.outcome is RecognitionOutcome.AMBIGUOUS
    assert "tartrate 3.56" in told(found)


def test_the_same_glass_twice_is_noticed_and_so_is_a_cracked_bulb() -> None:
    first = CalibrationPoint(buffer_ph=6.865, potential_mv=6.1, temperature_c=25.0)
    found = recognise(8.0, 25.0, buffers=TABLE, earlier=[first], named=PHTHALATE)
    assert (found.outcome, found.chosen) == (RecognitionOutcome.REPEATED, None)
    assert told(found) == (
        "+8.0 mV is nearly what pH 6.87 gave (+6.1 mV): is this the same buffer as before? If not, the bulb is cracked "
        "or its cap is still on: then every buffer reads alike."
    )
    assert recognise(177.0, 25.0, buffers=TABLE, earlier=[first]).outcome is RecognitionOutcome.RECOGNISED


def test_swapped_glasses_are_named() -> None:
    found = recognise(176.0, 25.0, buffers=TABLE, named=PHOSPHATE)
    assert (found.outcome, found.chosen) == (RecognitionOutcome.UNKNOWN, None)
    assert told(found) == (
        "+176.0 mV is not phosphate 6.87, which should give about +8 mV here. It fits phthalate 4.01 (+177 mV): were "
        "two glasses swapped? Look at the label, and dip the one that is asked for."
    )


def test_a_named_buffer_need_not_be_on_the_table() -> None:
    found = recognise(8.0, 25.0, buffers=(), named=PHOSPHATE)
    assert found.outcome is RecognitionOutcome.RECOGNISED


def test_outside_of_every_table_it_says_so() -> None:
    found = recognise(8.0, 71.0, buffers=TABLE)
    assert (found.outcome, found.candidates) == (RecognitionOutcome.UNKNOWN, ())
    assert "None of the buffers on the table has a value at 71.0 C" in told(found)
    cold = recognise(200.0, 12.0, buffers=TABLE, named=BUFFERS["nist-tartrate"])
    assert "tartrate has no value at 12.0 C" in told(cold)
