"""What is read equals what was written, to the bit, on both databases."""

import itertools
import math
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from logger.errors import RefusedError
from logger.model import (
    AlarmState,
    Calibration,
    CalibrationPoint,
    Carry,
    Cause,
    Command,
    CommandKind,
    Doubt,
    ElectrodeState,
    Entry,
    Level,
    Loss,
    Measurements,
    QualityTests,
    ReportedState,
    State,
    TrustCause,
    TrustState,
    TrustWindow,
    Variety,
    WindowState,
)
from logger.model.batch import CONTENT_TYPES, BatchEnd
from logger.store import Store, batches, queries
from logger.structs import replace
from tests.examples import examples
from tests.store.factories import (
    VAT,
    batch_entry,
    bits,
    calibration,
    check,
    command,
    correction,
    entry,
    filled,
    measurements,
    outcome,
)

NUMBERS = itertools.count(1)
INT64 = st.integers(-(2**63), 2**63 - 1)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
PLAIN = st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), max_size=20)
"""What a calibration may hold: nothing that hides something."""
SMALL = ("reason", "quality", "previous_spike", "belief")

on_one_store = settings(
    max_examples=examples(40), suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)  # a store takes any number of examples: each has its own probe or number


def column(name: str, count: int) -> st.SearchStrategy[np.ndarray]:
    if name in ("potential_mv", "temperature_c", "reference_ph", "reference_u", "ph", "u"):
        return npst.arrays(np.float64, count, elements=st.floats())
    if name in SMALL:
        return npst.arrays(np.int64, count, elements=st.integers(-(2**15), 2**15 - 1))
    if name == "tests":
        return npst.arrays(np.int64, count, elements=st.integers(-(2**31), 2**31 - 1))
    if name in ("calibration", "check", "spot"):
        return st.just(np.zeros(count, np.int64))
    return npst.arrays(np.int64, count, elements=INT64)


@st.composite
def any_measurements(draw: st.DrawFn) -> Measurements:
    count = draw(st.integers(1, 5))
    first = draw(st.integers(1, 2**63 - 10))
    drawn = {f.name: draw(column(f.name, count)) for f in fields(Measurements)}
    return Measurements(**{**drawn, "seq": np.arange(first, first + count, dtype=np.int64)})


@st.composite
def any_command(draw: st.DrawFn) -> Command:
    return Command(
        id=0,
        at_us=draw(INT64),
        kind=draw(st.sampled_from(CommandKind)),
        vat=draw(TEXT),
        probe=draw(TEXT),
        alarm=draw(TEXT),
        occurrence=draw(st.none() | INT64),
        duration_s=draw(st.none() | FINITE),
        by=draw(TEXT),
        note=draw(TEXT),
    )


@st.composite
def any_calibration(draw: st.DrawFn) -> Calibration:
    names = ("offset_mv", "slope", "var_offset", "var_slope", "cov", "low_ph", "high_ph", "residual_mv")
    numbers: dict[str, Any] = {name: draw(FINITE) for name in names}
    points = st.builds(CalibrationPoint, buffer_ph=FINITE, potential_mv=FINITE, temperature_c=FINITE)
    return Calibration(
        id=0,
        probe=draw(PLAIN),
        at_us=draw(INT64),
        points=tuple(draw(st.lists(points, max_size=4))),
        by=draw(PLAIN),
        **numbers,
    )


any_alarm_state = st.builds(
    AlarmState,
    abnormal=st.booleans(),
    pending_us=st.none() | INT64,
    seen_us=st.none() | INT64,
    base=st.sampled_from(State),
    occurrence=st.integers(0, 2**40),
    since_at_us=INT64,
    shelved_until_us=st.none() | INT64,
    out_of_service=st.booleans(),
    value=st.none() | FINITE,
    u=st.none() | FINITE,
)
any_entry = st.builds(
    Entry,
    seq=INT64,
    at_us=INT64,
    vat=TEXT,
    cause=st.sampled_from(Cause),
    alarm=TEXT,
    occurrence=st.none() | INT64,
    before=st.none() | st.sampled_from(State),
    after=st.none() | st.sampled_from(State),
    annunciates=st.booleans(),
    priority=TEXT,
    value=st.none() | FINITE,
    u=st.none() | FINITE,
    setpoint=st.none() | FINITE,
    reminder=st.integers(0, 2**31 - 1),
    by=TEXT,
    text=TEXT,
)


@on_one_store
@given(any_measurements())
def test_measurements_come_back_bit_by_bit(store: Store, records: Measurements) -> None:
    probe = f"probe {next(NUMBERS)}"
    with store.begin() as unit:
        run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
        unit.append(outcome(records, probe=probe, carry=Carry(probe=probe)), run=run)
        unit.commit()
    found = queries.load_watch(store, "marrow", probe, recent=10)
    assert found is not None
    assert bits(found.recent) == bits(records)


def test_every_bit_of_the_quality_tests_has_room(store: Store) -> None:
    every = sum(QualityTests)
    records = replace(measurements(1, 1), tests=np.array([every], dtype=np.int64))
    with store.begin() as unit:
        run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
        unit.append(outcome(records), run=run)
        unit.commit()
    assert queries.latest(store, "marrow-probe").tests.tolist() == [every]


def test_a_trust_comes_back_equal(store: Store) -> None:
    level = Level(elapsed_us=5, potential_mv=0.1 + 0.2, temperature_c=20.0, slope_ph_per_h=-0.01, former_ph=4.7)
    doubt = Doubt(cause=TrustCause.TEMPERATURE, since_us=5, since_at_us=6, before_c=20.0, now_c=18.0, before_mv=0.3)
    window = TrustWindow(number=7, count=30, potential_mv=140.25, temperature_c=20.0, noise_mv=0.3, outliers=1)
    trust = TrustState(
        windows=(window,),
        anew_us=4,
        swings_c=(0.1, 0.3),
        potential=Variety(usual=(5, 6), newest=(7,)),
        expected=level,
        doubt=doubt,
        loss=Loss(cause=TrustCause.FROZEN, since_us=8, since_at_us=9, before=level, now=level, quiet_mv=0.2),
        losses_us=(8,),
    )
    with store.begin() as unit:
        unit.append(outcome(measurements(1, 0), probe="p", carry=Carry(probe="p", trust=trust)), run=1)
        unit.commit()
    assert queries.watches(store)["marrow"].trust == trust


@on_one_store
@given(st.dictionaries(TEXT, any_alarm_state, max_size=4), any_calibration(), st.none() | INT64)
def test_a_carry_comes_back_equal(
    store: Store, alarms: dict[str, AlarmState], made: Calibration, believed_at_us: int | None
) -> None:
    vat = f"vat {next(NUMBERS)}"
    kept = Carry(
        probe="p",
        alarms=alarms,
        electrode=ElectrodeState(calibration=made),
        reported=ReportedState(believed_at_us=believed_at_us),
        windows=WindowState(fresh_us=7),
    )
    with store.begin() as unit:
        unit.append(outcome(measurements(1, 0), vat=vat, probe="p", carry=kept), run=1)
        unit.commit()
    assert queries.watches(store)[vat] == kept


@on_one_store
@given(st.lists(any_entry, min_size=1, max_size=4))
def test_journal_entries_come_back_equal_and_in_order(store: Store, made: list[Entry]) -> None:
    with store.begin() as unit:
        unit.add_entries(made)
        unit.commit()
    assert queries.entries(store, limit=len(made)) == made


@on_one_store
@given(any_command(), any_calibration())
def test_commands_come_back_equal_with_their_calibration(store: Store, made: Command, found: Calibration) -> None:
    with store.begin() as unit:
        stored = unit.add_calibration(found)
        number = unit.add_command(replace(made, calibration=stored))
        unit.commit()
    assert stored == replace(found, id=stored.id)
    assert queries.pending_commands(store)[-1] == replace(made, id=number, calibration=stored)


def test_a_journal_value_that_is_not_a_number_is_kept_as_unknown(store: Store) -> None:
    with store.begin() as unit:
        unit.add_entries([entry(value=math.nan)])
        unit.commit()
    assert queries.entries(store, limit=1) == [entry(value=None)]


def test_calibrations_of_a_probe_come_oldest_first_with_those_not_accepted(store: Store) -> None:
    with store.begin() as unit:
        first = unit.add_calibration(calibration(), accepted=False)
        unit.add_calibration(calibration(probe="other"))
        second = unit.add_calibration(calibration(slope=0.9))
        unit.commit()
    found = [(stored.calibration, stored.accepted) for stored in queries.calibrations(store, "marrow-probe")]
    assert found == [(first, False), (second, True)]


def test_checks_and_corrections_come_back_equal_in_the_order_they_were_stored(store: Store) -> None:
    with store.begin() as unit:
        unit.add_calibration(calibration())
        checks = [unit.add_check(check()), unit.add_check(check(potential_mv=0.1 + 0.2))]
        first = unit.add_correction(correction())
        revoked = unit.add_correction(correction(deviations=(), revokes=first.id))
        unit.commit()
    assert queries.checks(store, "marrow-probe") == checks
    assert queries.corrections(store, "marrow-probe") == [first, revoked]
    assert [queries.checks(store, "other"), queries.corrections(store, "other")] == [[], []]


def test_a_correction_without_finite_numbers_is_refused_by_name(store: Store) -> None:
    with store.begin() as unit, pytest.raises(RefusedError, match="The until_at_us of this correction is too large"):
        unit.add_correction(correction(until_at_us=2**63))


@pytest.mark.parametrize(
    ("refused", "reason"),
    [
        (command(note="a\0b"), "The note of this command holds a character that cannot be stored"),
        (command(by="\ud800"), "The by of this command holds a character that cannot be stored"),
        (command(occurrence=2**63), "The occurrence of this command is too large a number"),
        (command(duration_s=math.inf), "The duration_s of this command is not a finite number"),
    ],
)
def test_what_no_database_could_keep_is_refused_by_name(store: Store, refused: Command, reason: str) -> None:
    with store.begin() as unit, pytest.raises(RefusedError, match=reason):
        unit.add_command(refused)


def test_a_calibration_without_finite_numbers_is_refused_by_name(store: Store) -> None:
    with store.begin() as unit, pytest.raises(RefusedError, match="The slope of this calibration is not a finite"):
        unit.add_calibration(calibration(slope=math.nan))


def test_every_kind_of_entry_of_a_batch(store: Store) -> None:
    whole = [*CONTENT_TYPES.values()]
    written = [
        batch_entry(filled(content), n / 60)
        for n, content in enumerate(sorted(whole, key=lambda content: content is BatchEnd))
    ]
    with store.begin() as unit:
        for each in written:
            unit.add_batch_entry(each)
        unit.commit()
    found = batches.find(store, VAT)
    lists = (found.limits, found.ingredients, found.additions, found.notes, found.measurements, found.departures)
    assert [replace(each, id=0) for each in found.entries] == written
    assert [len(each) for each in (*lists, found.finishes, found.distributions, found.reviews)] == [1] * 9
