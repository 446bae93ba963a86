"""The record of a batch: what is entered stays, and is read back whole."""

import pytest

from logger.errors import RefusedError
from logger.model import Answer, AnyEntry, BatchContent, Check, CheckKind, Command, CommandKind, batch_id
from logger.model.batch import (
    Addition,
    BatchEnd,
    BatchHeader,
    BatchStart,
    CriticalLimits,
    Departure,
    IndependentMeasurement,
    Ingredient,
    Remark,
)
from logger.store import Store, batches
from logger.structs import replace
from tests.store.factories import BATCH, START_US, VAT, batch_entry, calibration, check

HOUR_US = 3_600_000_000
pytestmark = pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)  # both databases: test_round_trip.py


def put(store: Store, *entries: AnyEntry) -> list[AnyEntry]:
    with store.begin() as unit:
        stored = [unit.add_batch_entry(each) for each in entries]
        unit.commit()
    return stored


def ask(store: Store, at_h: float, **values: object) -> int:
    made = Command(id=0, at_us=START_US + round(at_h * HOUR_US), vat=VAT, by="jon", kind=CommandKind.MARK)
    with store.begin() as unit:
        number = unit.add_command(replace(made, **values))  # type: ignore[arg-type] # fields of a command
        unit.commit()
    return number


def test_a_record_in_which_nothing_was_said_has_only_its_start(store: Store) -> None:
    put(store, batch_entry(BatchStart()))
    found = batches.open_batch(store, VAT)
    assert found is not None
    assert (found.header, found.limits_before_start, found.end, found.corrections) == (BatchHeader(), None, None, ())


def test_a_later_header_adds_to_the_one_before(store: Store) -> None:
    put(
        store,
        batch_entry(BatchStart()),
        batch_entry(BatchHeader(product="roots"), 1),
        batch_entry(BatchHeader(lot="N-17"), 2),
    )
    found = batches.find(store, "N-17")
    assert (found.header.product, found.header.lot) == ("roots", "N-17")


def test_a_correction_stands_in_the_place_of_the_old_entry_and_says_what_changed_and_why(store: Store) -> None:
    salt = batch_entry(Ingredient(name="salt", mass_kg=9.4), 1)
    right = replace(
        batch_entry(Ingredient(name="salt", mass_kg=8.4), 2, happened_at_us=salt.happened_at_us),
        corrects=salt.entry,
        note="misread",
        by="jon",
    )
    put(store, batch_entry(BatchStart()), salt, batch_entry(Ingredient(name="radish"), 1.5), right)
    found = batches.find(store, VAT)
    (changed,) = found.corrections
    assert [each.content.mass_kg for each in found.ingredients] == [8.4, None]
    assert (changed.field, changed.old, changed.new, changed.reason, changed.by) == (
        "mass_kg",
        9.4,
        8.4,
        "misread",
        "jon",
    )
    assert len(found.entries) == 4


def test_a_withdrawn_entry_stands_only_among_the_corrections(store: Store) -> None:
    wrong = batch_entry(Remark(text="skimmed"), 1)
    put(
        store,
        batch_entry(BatchStart()),
        wrong,
        replace(batch_entry(Remark(text="skimmed"), 2), corrects=wrong.entry, is_withdrawal=True),
    )
    found = batches.find(store, VAT)
    assert found.notes == ()
    assert [each.new for each in found.corrections] == ["(withdrawn)"]


def test_only_the_newest_version_of_an_entry_can_be_corrected(store: Store) -> None:
    first = batch_entry(Remark(text="a"), 1)
    second = replace(batch_entry(Remark(text="b"), 2), corrects=first.entry)
    put(store, batch_entry(BatchStart()), first, second)
    with pytest.raises(RefusedError, match="was corrected by entry 3 already: correct the newest"):
        put(store, replace(batch_entry(Remark(text="c"), 3), corrects=first.entry))
    with pytest.raises(RefusedError, match="no entry becomes one of another kind"):
        put(store, replace(batch_entry(Ingredient(name="c"), 3), corrects=second.entry))
    with pytest.raises(RefusedError, match="has no entry"):
        put(store, replace(batch_entry(Remark(text="c"), 3), corrects="nix"))


def test_limits_count_as_set_before_the_start_only_if_they_were_entered_by_then(store: Store) -> None:
    late = replace(batch_entry(BatchStart(), 3), happened_at_us=START_US)
    put(store, late, batch_entry(CriticalLimits(ph=4.6), 3))
    found = batches.find(store, VAT)
    assert found.start.is_backdated
    assert (found.limits_before_start, len(found.limits)) == (None, 1)


def test_limits_entered_with_the_start_are_those_before_it_whatever_comes_later(store: Store) -> None:
    put(store, batch_entry(BatchStart()), batch_entry(CriticalLimits(ph=4.6)), batch_entry(CriticalLimits(ph=4.2), 5))
    before = batches.find(store, VAT).limits_before_start
    assert before is not None
    assert (before.content.ph, before.by) == (4.6, "tova")


def test_a_mark_begins_a_batch_without_ceremony_and_what_is_said_of_the_vat_is_in_its_record(store: Store) -> None:
    ask(store, 0, note="started")
    ask(store, 1, note="topped-up", litres=4.0)
    ask(store, 2, note="pressed down", kind=CommandKind.NOTE)
    ask(store, 3, note="stirred")
    found = batches.open_batch(store, VAT)
    assert found is not None
    assert found.id == BATCH
    assert [each.content.litres for each in found.additions] == [4.0]
    assert [(each.content.text, each.by) for each in found.notes] == [("pressed down", "jon")]
    assert len(found.entries) == 3


def test_a_spot_measurement_is_an_independent_measurement_that_names_its_check(store: Store) -> None:
    ask(store, 0, note="started")
    with store.begin() as unit:
        unit.add_calibration(calibration())
        made = unit.add_check(replace(spot(), at_us=START_US + HOUR_US))
        unit.commit()
    ask(store, 1, vat="", probe="p1", kind=CommandKind.CHECK, check=made)
    (measured,) = batches.find(store, VAT).measurements
    expected = IndependentMeasurement(
        quantity="pH", value=made.reference_ph, u=made.u_reference_ph, instrument=made.instrument,
        sample_c=made.temperature_c, reading=made.reading_ph, check=made.id
    )  # fmt: skip
    assert measured.content == expected


def spot() -> Check:
    return replace(check(), kind=CheckKind.SPOT, vat=VAT, reference_ph=4.4, u_reference_ph=0.05, instrument="meter 2")


def test_the_next_start_ends_the_batch_before(store: Store) -> None:
    ask(store, 0, note="started")
    ask(store, 5, note="started", duration_s=3600.0)
    first, second = batches.records(store)
    assert (first.id, first.ended_at_us) == (BATCH, START_US + 5 * HOUR_US)
    assert (second.started_at_us, second.start.is_backdated) == (START_US + 4 * HOUR_US, True)
    assert batches.find(store, VAT) == second


def test_a_mark_ends_a_batch_and_what_is_said_after_it_is_in_no_record(store: Store) -> None:
    ask(store, 0, note="started")
    ask(store, 5, note="ended")
    ask(store, 6, note="rinsed the vat", kind=CommandKind.NOTE)
    assert batches.open_batch(store, VAT) is None
    assert batches.find(store, VAT).notes == ()


def test_a_start_that_the_watch_refused_began_no_batch(store: Store) -> None:
    number = ask(store, 0, note="started")
    with store.begin() as unit:
        unit.consume([Answer(command=number, seq=1, applied=False, text="no such vat")])
        unit.commit()
    assert (batches.records(store), batches.open_batch(store, VAT)) == ([], None)


def test_what_a_record_cannot_take_does_not_keep_the_command_from_the_watch(store: Store) -> None:
    ask(store, 0, note="started")
    assert ask(store, 1, note="turned \u202e round", kind=CommandKind.NOTE) > 0
    assert batches.find(store, VAT).notes == ()


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (BatchHeader(salt_percent=120.0), "salt, part of the total mass must be at most 100 %, not 120"),
        (BatchHeader(volume_l=float("nan")), "volume must be"),
        (Ingredient(mass_kg=float("inf")), "mass must be at most 1000000 kg"),
        (Ingredient(use="gravel"), "used as is one of raw material, salt, water"),
        (Departure(cause="x\ny"), "cause holds the character '\\\\n': write one line of plain text"),
        (Remark(text="x" * 10_001), "note has 10001 characters, at most 10000 are taken"),
        (IndependentMeasurement(quantity="pH", value=15.0), "value must be at most 13.99 pH"),
        (BatchStart(), "batch .* is under way in cellar: end it first"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(store: Store, content: BatchContent, sentence: str) -> None:
    put(store, batch_entry(BatchStart()))
    with pytest.raises(RefusedError, match=sentence):
        put(store, batch_entry(content, 1))


def test_what_is_entered_has_happened(store: Store) -> None:
    with pytest.raises(RefusedError, match="must have happened by now"):
        put(store, replace(batch_entry(BatchStart()), happened_at_us=START_US + HOUR_US))


def test_ten_thousand_characters_are_kept_exactly(store: Store) -> None:
    text = "<script>alert('x')</script> \u00e9\u6f22 " * 400
    put(store, batch_entry(BatchStart()), batch_entry(Remark(text=text[:10_000]), 1))
    assert batches.find(store, VAT).notes[0].content.text == text[:10_000]


def test_an_entry_that_is_stored_again_is_there_once(store: Store) -> None:
    put(store, batch_entry(BatchStart()), batch_entry(Addition(what="brine"), 1))
    assert put(store, batch_entry(Addition(what="brine"), 1))[0].id == 2
    assert len(batches.find(store, VAT).entries) == 2


def test_a_span_of_time_finds_the_batches_under_way_in_it(store: Store) -> None:
    ask(store, 0, note="started")
    ask(store, 5, note="ended")
    ask(store, 10, note="started")
    at = [START_US + hour * HOUR_US for hour in range(20)]
    assert len(batches.records(store, since_at_us=at[6], until_at_us=at[9])) == 0
    assert len(batches.records(store, since_at_us=at[4], until_at_us=at[9])) == 1
    assert len(batches.records(store, since_at_us=at[4])) == 2
    assert batches.records(store, vat="attic") == []


def test_a_name_that_means_none_or_several_batches_is_refused(store: Store) -> None:
    put(store, batch_entry(BatchStart()), batch_entry(BatchHeader(lot="N"), 1), batch_entry(BatchEnd(), 2))
    other = batch_id("attic", START_US)
    twin = [
        replace(each, batch=other, vat="attic", entry=f"{each.entry}'") for each in batches.find(store, VAT).entries
    ]
    put(store, *(replace(each, id=0) for each in twin))
    with pytest.raises(RefusedError, match=f"'N' may be one of several batches: {BATCH} in cellar, {other} in attic"):
        batches.find(store, "N")
    with pytest.raises(RefusedError, match="there is no batch 'nix'"):
        batches.find(store, "nix")
    assert batches.find(store, BATCH[:8]).vat == VAT


def test_an_entry_that_a_command_brings_is_in_the_record(store: Store) -> None:
    ask(store, 0, note="started")
    ask(store, 1, note='{"entry":"ingredient","fields":{"name":"salt","mass_kg":9.4}}', kind=CommandKind.BATCH)
    ask(store, 2, note="no entry at all", kind=CommandKind.BATCH)
    found = batches.find(store, VAT)
    assert [each.content for each in found.ingredients] == [Ingredient(name="salt", mass_kg=9.4)]
    assert len(found.entries) == 2
