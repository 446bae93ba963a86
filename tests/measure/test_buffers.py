"""Buffer tables against each other, a pharmacopoeia, an independent computation and independent interpolation."""

from datetime import date
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline, PchipInterpolator

from logger.config import BufferConfig
from logger.errors import RefusedError
from logger.measure import buffers
from logger.measure.buffers import BUFFERS, Buffer, ph_at

# European Pharmacopoeia 2.2.3, Table 2 (two decimals): at 15, 20, 25, 30 and 35 C.
PHARMACOPOEIA = {
    "tetraoxalate": (1.67, 1.68, 1.68, 1.68, 1.69),
    "tartrate": (None, None, 3.56, 3.55, 3.55),
    "phthalate": (4.00, 4.00, 4.01, 4.02, 4.02),
    "phosphate": (6.90, 6.88, 6.87, 6.85, 6.84),
    "phosphate-1-3.5": (7.45, 7.43, 7.41, 7.40, 7.39),
    "borax": (9.28, 9.23, 9.18, 9.14, 9.10),
    "carbonate": (10.12, 10.06, 10.01, 9.97, 9.93),
}
# Its dpH/dt per C, same table; for 25 C.
PER_C = {
    "tetraoxalate": 0.001,
    "tartrate": -0.0014,
    "phthalate": 0.0012,
    "phosphate": -0.0028,
    "phosphate-1-3.5": -0.0028,
    "borax": -0.0082,
    "carbonate": -0.0096,
}
ids = pytest.mark.parametrize("buffer", BUFFERS.values(), ids=list(BUFFERS))


@pytest.mark.parametrize("name", PHARMACOPOEIA)
@pytest.mark.parametrize("standard", ["nist", "gbt"])
def test_published_tables_agree(standard: str, name: str) -> None:
    # Differences between the standards up to 0.011 (tartrate above 40 C more); half a digit of the print beside it.
    buffer = BUFFERS.get(f"{standard}-{name}")
    if buffer is None:
        assert standard == "gbt"  # GB/T 27501 has neither phosphate 1:3.5 nor this carbonate
        return
    printed = [(t, ph) for t, ph in zip((15, 20, 25, 30, 35), PHARMACOPOEIA[name], strict=True) if ph is not None]
    assert [ph_at(buffer, t) for t, _ in printed] == pytest.approx([ph for _, ph in printed], abs=0.011)


@pytest.mark.parametrize("name", ["tetraoxalate", "tartrate", "phthalate", "phosphate", "borax"])
def test_nist_and_the_chinese_scale_agree_at_every_temperature(name: str) -> None:
    nist, gbt = BUFFERS[f"nist-{name}"], BUFFERS[f"gbt-{name}"]
    both = np.linspace(nist.temperatures_c[0], min(nist.temperatures_c[-1], gbt.temperatures_c[-1]), 241)
    apart = [abs(ph_at(nist, t) - ph_at(gbt, t)) for t in both.tolist()]
    assert max(apart) < 0.0061  # NIST, from memory, is within 0.006 of GB/T 27501


@pytest.mark.parametrize("name", PER_C)
def test_the_value_changes_with_temperature_as_the_pharmacopoeia_says(name: str) -> None:
    buffer = BUFFERS[f"nist-{name}"]
    low, high = max(20.0, buffer.temperatures_c[0]), 30.0
    per_c = (ph_at(buffer, high) - ph_at(buffer, low)) / (high - low)
    assert per_c == pytest.approx(PER_C[name], abs=0.0005)


def test_the_three_of_everyday_are_what_their_bottles_say() -> None:
    # Common practice, no source: at 15, 20, 25 and 30 C; common practice prints two decimals.
    printed = {
        "nist-phthalate": (4.00, 4.00, 4.01, 4.01),
        "nist-phosphate": (6.90, 6.88, 6.86, 6.85),
        "nist-borax": (9.27, 9.22, 9.18, 9.14),
    }
    for name, values in printed.items():
        assert [ph_at(BUFFERS[name], t) for t in (15, 20, 25, 30)] == pytest.approx(values, abs=0.0065)
    assert [round(BUFFERS[f"technical-{name}"].nominal_ph, 2) for name in ("4.00", "7.00", "10.01")] == [4, 7, 10.01]


MOL_PER_KG = {  # of the standard solutions, for an independent computation by PHREEQC
    "phosphate": {"K": 0.025, "Na": 0.05, "P": 0.05},
    "phosphate-1-3.5": {"K": 0.008695, "Na": 0.06086, "P": 0.039125},
    "borax": {"Na": 0.02, "B": 0.04},
}


@pytest.mark.parametrize("name", MOL_PER_KG)
def test_chemistry_computed_by_phreeqc_gives_the_printed_values(name: str) -> None:
    try:
        from phreeqpython import PhreeqPython  # noqa: PLC0415 - it loads a library and a database
    except ImportError:
        pytest.skip("phreeqpython not found: pip install phreeqpython")
    for t in (15, 20, 25, 30, 35):  # within 0.02 there, not outside of this range
        solution = PhreeqPython().add_solution({"temp": t, "units": "mol/kgw", "pH": "7 charge", **MOL_PER_KG[name]})
        assert 6.5 < solution.pH < 9.5
        assert ph_at(BUFFERS[f"nist-{name}"], t) == pytest.approx(solution.pH, abs=0.02)


@ids
def test_the_curve_passes_through_every_print(buffer: Buffer) -> None:
    values = [ph_at(buffer, t) for t in buffer.temperatures_c]
    assert values == pytest.approx(list(buffer.values_ph), abs=1e-12)


@ids
def test_between_the_prints_the_curve_is_that_of_a_spline_and_overshoots_nothing(buffer: Buffer) -> None:
    # scipy's cubic spline, and its monotone interpolation, which cannot overshoot.
    at = np.linspace(buffer.temperatures_c[0], buffer.temperatures_c[-1], 500)
    ours = np.array([ph_at(buffer, t) for t in at.tolist()])
    spline = CubicSpline(buffer.temperatures_c, buffer.values_ph)(at)
    monotone = PchipInterpolator(buffer.temperatures_c, buffer.values_ph)(at)
    assert np.abs(ours - spline).max() <= 0.002
    assert np.abs(ours - monotone).max() <= 0.002


@ids
@given(place=st.floats(0.0, 1.0))
def test_a_hair_s_breadth_of_temperature_changes_next_to_nothing(buffer: Buffer, place: float) -> None:
    low, high = buffer.temperatures_c[0], buffer.temperatures_c[-1]
    t = low + place * (high - low - 1e-6)
    assert ph_at(buffer, t + 1e-6) == pytest.approx(ph_at(buffer, t), abs=3e-8)  # at most 0.03 per C


@ids
def test_outside_its_table_a_buffer_has_no_value(buffer: Buffer) -> None:
    for t in (buffer.temperatures_c[0] - 0.01, buffer.temperatures_c[-1] + 0.01, float("nan"), float("inf")):
        with pytest.raises(RefusedError, match=r"has no value at .* C, only from .* to .* C: bring it to room"):
            ph_at(buffer, t)


def test_no_table_has_holes_or_jumps() -> None:
    for buffer in BUFFERS.values():
        assert {b - a for a, b in pairwise(buffer.temperatures_c)} == {5.0}
        assert max(abs(b - a) for a, b in pairwise(buffer.values_ph)) < 0.08  # carbonate near 0 C is the steepest


def test_the_user_s_own_buffer_is_read_between_its_values_by_a_straight_line() -> None:
    own = buffers.custom(BufferConfig(id="own", values_ph={25: 4.01, 20: 4.00, 40: 4.04}, standard="label"))
    assert [ph_at(own, t) for t in (20, 22.5, 25, 32.5, 40)] == pytest.approx([4.0, 4.005, 4.01, 4.025, 4.04])
    assert own.nominal_ph == 4.01
    assert own.standard == "label"


@given(values=st.dictionaries(st.floats(0, 60), st.floats(3.9, 4.1), min_size=2, max_size=6))
def test_the_user_s_own_buffer_never_leaves_the_values_on_both_sides(values: dict[float, float]) -> None:
    try:
        own = buffers.custom(BufferConfig(id="own", values_ph=values))
    except RefusedError:
        return
    for (cool, a), (warm, b) in pairwise(sorted(values.items())):
        assert min(a, b) - 1e-9 <= ph_at(own, (cool + warm) / 2) <= max(a, b) + 1e-9


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({}, "one value makes no table"),
        ({25.0: 4.01}, "one value makes no table: give the pH at two or more"),
        ({20.0: 4.0, 25.0: 14.2}, "this is no buffer's table: give pH"),
        ({20.0: 4.0, 298.15: 4.0}, "this is no buffer's table"),
        ({20.0: 4.0, float("nan"): 4.0}, "this is no buffer's table"),
        ({20.0: 4.0, 25.0: 4.26}, r"its pH changes by over 0\.05 per C, which no buffer does"),
    ],
)
def test_what_is_no_buffer_is_refused(values: dict[float, float], sentence: str) -> None:
    with pytest.raises(RefusedError, match=sentence):
        buffers.custom(BufferConfig(id="own", values_ph=values))


def test_the_shelf_holds_the_tables_with_what_the_user_says_of_them() -> None:
    day = date(2027, 1, 31)
    shelf = buffers.shelf(
        (
            BufferConfig(id="nist-borax", lot="C3", expires=day, u_ph=0.005),
            BufferConfig(id="own", values_ph={20: 4.0, 25: 4.01}, lot="D4"),
        )
    )
    assert shelf.keys() == {*BUFFERS, "own"}
    borax, own = shelf["nist-borax"], shelf["own"]
    assert (borax.lot, borax.expires, borax.u_ph, own.lot) == ("C3", day, 0.005, "D4")
    assert borax.values_ph == BUFFERS["nist-borax"].values_ph
    assert own.u_ph == pytest.approx(0.0115, abs=0.0001)  # +/-0.02 rectangular, GUM 4.3.7: 0.02 / sqrt 3
    assert buffers.expired(borax, on=day) is None
    said = buffers.expired(borax, on=date(2027, 2, 1))
    assert said is not None
    assert said.startswith("Buffer borax, lot C3, expired on 2027-01-31")
    assert buffers.expired(BUFFERS["nist-borax"], on=date(2100, 1, 1)) is None


def test_a_buffer_is_found_by_its_id_or_the_nearest_id_is_named() -> None:
    assert buffers.by_id("gbt-borax", BUFFERS).standard == "GB/T 27501"
    with pytest.raises(RefusedError, match=r"there is no buffer 'nist-boraks'; did you mean 'nist-borax'\?"):
        buffers.by_id("nist-boraks", BUFFERS)
    with pytest.raises(RefusedError, match="there is no buffer '7'; there are: nist-tetraoxalate, "):
        buffers.by_id("7", BUFFERS)


def test_the_nearest_buffer_is_named_at_its_temperature() -> None:
    among = [BUFFERS[name] for name in ("nist-phthalate", "nist-phosphate", "nist-borax", "nist-tartrate")]
    found = [buffers.nearest(ph, 15.0, among=among) for ph in (3.7, 6.0, 9.0)]
    assert [buffer and buffer.name for buffer in found] == ["phthalate", "phosphate", "borax"]
    assert buffers.nearest(4.0, 80.0, among=among) is None


@pytest.mark.parametrize(
    ("taken_for", "deviation_ph", "sentence"),
    [
        # 7.00 and 6.865 at 25 C, 7.02 and 6.881 at 20 C; an electrode known to be right reads the true pH.
        (6.865, 0.135, "perhaps it is the technical 7.00"),
        (6.881, 0.139, "perhaps it is the technical 7.00"),
        (7.00, -0.135, "perhaps it is the 6.86"),
        (7.04, -0.14, "perhaps it is the 6.86"),
        (6.865, 0.05, None),
        (6.865, -0.135, None),
        (6.865, 0.3, None),
        (7.00, 0.135, None),
        (4.005, 0.135, None),
        (9.18, -0.135, None),
    ],
)
def test_a_technical_7_taken_for_a_6_86_is_told_and_the_other_way_round(
    taken_for: float, deviation_ph: float, sentence: str | None
) -> None:
    said = buffers.confused_buffer(deviation_ph, buffer_ph=taken_for)
    assert (said is None) == (sentence is None)
    assert sentence is None or sentence in (said or "")
