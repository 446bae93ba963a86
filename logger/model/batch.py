"""What people enter into the record of a batch: dated entries, each of a kind with its own fields.

Law: frozen data. An entry is never changed or taken away: a correction is a new entry that names the old one. Every
field may be empty ("" or None): nobody said, and the report prints that it was not recorded. Free text is kept exactly.
An entry has two times: when it was entered, and when what it tells happened; where these lie apart it is backdated.

The identity of a batch, like that of an entry, is no row's number: a batch may go on in another store after its own
was renewed, and is one batch. It is made from the vat and the microsecond at which the start was entered, so the watch
and the store know it from the same command without asking each other.
"""

from collections.abc import Mapping
from dataclasses import Field, dataclass, field, fields
from enum import StrEnum
from hashlib import blake2s
from typing import Any, Generic, TypeVar

from logger.units import MINUTE_US

BACKDATED_US = 10 * MINUTE_US
"""Entered so much later than it happened, an entry says so. Common practice, no source."""


def said(words: str, *, default: Any = "", unit: str = "", choices: type[StrEnum] | None = None) -> Any:  # noqa: ANN401 - dataclasses type a field as its value
    """Make a field of an entry: `words` are its label in print and in the help; a number has a unit.

    `choices`: the only values that it takes beside the empty one.
    """
    return field(default=default, metadata={"words": words, "unit": unit, "choices": choices})


class Disposition(StrEnum):
    """What became of a batch, or of the part of it that a departure concerns."""

    RELEASE = "release"
    REPROCESS = "reprocess"
    HOLD = "hold"
    """Set aside for a process authority to evaluate."""
    DESTROY = "destroy"


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchStart:
    """The batch begins; `BatchEntry.happened_at_us` says when."""

    profile: str = said("profile of the vat")
    config_hash: str = said("hash of the configuration")


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchEnd:
    """The batch has ended."""

    disposition: str = said("disposition", choices=Disposition)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchHeader:
    """What the batch is. A later header adds to the one before: what it leaves empty stays."""

    facility: str = said("name of the facility")
    address: str = said("address or location")
    product: str = said("product")
    recipe: str = said("recipe and its version")
    process: str = said("scheduled process or food-safety plan")
    authority: str = said("letter of the process authority")
    lot: str = said("lot code")
    volume_l: float | None = said("volume", default=None, unit="L")
    salt_percent: float | None = said("salt, part of the total mass", default=None, unit="%")
    starter: str = said("starter: lot and dose, or the batch it was taken from")
    containers: str = said("containers to be filled: sizes")
    operators: str = said("operators and their initials")
    jurisdiction: str = said("note on the jurisdiction")
    retention: str = said("keep this record until")


@dataclass(frozen=True, slots=True, kw_only=True)
class CriticalLimits:
    """The critical limits and who approved them; set before the start if it was entered by then."""

    ph: float | None = said("pH at or below", default=None, unit="pH")
    deadline_h: float | None = said("within hours of the start", default=None, unit="h")
    low_c: float | None = said("temperature not below", default=None, unit="C")
    high_c: float | None = said("temperature not above", default=None, unit="C")
    salt_min_percent: float | None = said("salt not below", default=None, unit="%")
    salt_max_percent: float | None = said("salt not above", default=None, unit="%")
    hold_h: float | None = said("to be held at that pH for", default=None, unit="h")
    monitoring_s: float | None = said("monitored every", default=None, unit="s")
    action: str = said("what to do when a limit is passed")
    approved_by: str = said("approved by")
    version: str = said("version")
    origin: str = said("taken from (the configuration, a plan)")


class Use(StrEnum):
    """What an ingredient is used as."""

    RAW = "raw material"
    SALT = "salt"
    WATER = "water"
    STARTER = "starter"
    ADDITIVE = "additive"
    PACKAGING = "packaging"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ingredient:
    """What went in at the beginning: raw material, salt, water, starter, additive, packaging."""

    name: str = said("what")
    use: str = said("used as", choices=Use)
    supplier: str = said("supplier")
    lot: str = said("lot")
    mass_kg: float | None = said("mass", default=None, unit="kg")
    part_percent: float | None = said("part of the total mass", default=None, unit="%")
    received: str = said("received on")
    examination: str = said("result of the examination")
    guarantee: str = said("supplier's guarantee")
    washed: str = said("how it was washed or sanitised")


@dataclass(frozen=True, slots=True, kw_only=True)
class Addition:
    """What was added later."""

    what: str = said("what was added")
    litres: float | None = said("amount", default=None, unit="L")
    mass_kg: float | None = said("mass", default=None, unit="kg")
    salt_percent: float | None = said("salt in it", default=None, unit="%")
    lot: str = said("lot")


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """A note."""

    text: str = said("note")


class MeasuredBy(StrEnum):
    """The method of an independent measurement."""

    METER = "meter"
    STRIP = "strip"
    TITRATION = "titration"
    OTHER = "other"


class Measured(StrEnum):
    """What was measured independently."""

    PH = "pH"
    ACIDITY = "titratable acidity"
    SALT = "salt"
    TEMPERATURE = "temperature"
    ALCOHOL = "alcohol"


UNIT_OF: Mapping[str, str] = {
    Measured.PH: "",
    Measured.ACIDITY: "%",
    Measured.SALT: "%",
    Measured.TEMPERATURE: "C",
    Measured.ALCOHOL: "% vol",
}
"""Acidity: grams of acid in 100 mL; salt: part of the mass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IndependentMeasurement:
    """What another instrument, a strip or a titration gave.

    A pH beside the probe is a spot measurement: `check` is its number among the checks of the probe, which holds what
    the probe read then. Without one the probe was not compared, and `note` of the entry may say why.
    """

    quantity: str = said("quantity", choices=Measured)
    value: float | None = said("value", default=None)
    unit: str = said("unit")
    u: float | None = said("standard uncertainty", default=None)
    method: str = said("method", choices=MeasuredBy)
    instrument: str = said("instrument and its calibration")
    acid: str = said("titrated as which acid")
    sample: str = said("sample: place, depth, brine or solids")
    sample_c: float | None = said("temperature of the sample", default=None, unit="C")
    reading: float | None = said("the probe then", default=None)
    check: int | None = said("number of the check", default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """A departure from a critical limit or from the process."""

    limit: str = said("what limit or rule")
    from_at_us: int | None = said("from", default=None, unit="us")
    until_at_us: int | None = said("until", default=None, unit="us")
    affected: str = said("quantity or containers concerned")
    discovery: str = said("how it was found")
    cause: str = said("cause")
    immediate_action: str = said("immediate action")
    corrective_action: str = said("corrective action")
    preventive_action: str = said("preventive action")
    evaluated_by: str = said("evaluated by: name, qualification, reference")
    disposition: str = said("disposition", choices=Disposition)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """The finished product."""

    equilibrium_ph: float | None = said("equilibrium pH of the finished product", default=None, unit="pH")
    method: str = said("method")
    instrument: str = said("instrument")
    samples: int | None = said("number of samples", default=None)
    values: str = said("the single values")
    hold_h: float | None = said("held at that pH for", default=None, unit="h")
    sensory: str = said("smell, taste, film, mould")
    thermal: str = said("thermal process")
    packaging: str = said("packaging and its lots")
    yielded: str = said("yield")
    storage_c: float | None = said("storage temperature", default=None, unit="C")
    signed_by: str = said("signed by")


@dataclass(frozen=True, slots=True, kw_only=True)
class Distribution:
    """Where it first went."""

    consignee: str = said("first consignee")
    date: str = said("date")
    quantity: str = said("quantity")
    lot: str = said("lot")


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """Somebody reviewed the record."""

    reviewer: str = said("reviewer")
    findings: str = said("findings")


class BatchEntryKind(StrEnum):
    """What an entry tells."""

    START = "start"
    END = "end"
    HEADER = "header"
    LIMITS = "limits"
    INGREDIENT = "ingredient"
    ADDITION = "addition"
    NOTE = "note"
    MEASUREMENT = "measurement"
    DEPARTURE = "departure"
    FINISH = "finish"
    DISTRIBUTION = "distribution"
    REVIEW = "review"


BatchContent = (
    BatchStart
    | BatchEnd
    | BatchHeader
    | CriticalLimits
    | Ingredient
    | Addition
    | Remark
    | IndependentMeasurement
    | Departure
    | Finish
    | Distribution
    | Review
)
CONTENT_TYPES: Mapping[BatchEntryKind, type[BatchContent]] = {
    BatchEntryKind.START: BatchStart,
    BatchEntryKind.END: BatchEnd,
    BatchEntryKind.HEADER: BatchHeader,
    BatchEntryKind.LIMITS: CriticalLimits,
    BatchEntryKind.INGREDIENT: Ingredient,
    BatchEntryKind.ADDITION: Addition,
    BatchEntryKind.NOTE: Remark,
    BatchEntryKind.MEASUREMENT: IndependentMeasurement,
    BatchEntryKind.DEPARTURE: Departure,
    BatchEntryKind.FINISH: Finish,
    BatchEntryKind.DISTRIBUTION: Distribution,
    BatchEntryKind.REVIEW: Review,
}
"""What an entry of each kind holds."""

Content_co = TypeVar("Content_co", bound=BatchContent, covariant=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchEntry(Generic[Content_co]):
    """One entry of a batch's record."""

    id: int = 0
    """Row in this store; 0: not stored yet. Another store gives the same entry another number."""
    entry: str
    """Its identity, the same in every store."""
    batch: str
    """Identity of the batch."""
    vat: str
    at_us: int
    """UTC at which it was entered."""
    happened_at_us: int
    """UTC of what it tells."""
    by: str = ""
    """Who entered it."""
    note: str = ""
    """What else was said, exactly as it was entered; of a correction: the reason."""
    content: Content_co
    corrects: str = ""
    """Identity of the entry in whose place this one stands; empty: it is no correction."""
    is_withdrawal: bool = False
    """It takes that entry back and puts nothing in its place."""
    record: int | None = None
    """Number of the record before which the watch heard of it; None: it need not, or has not yet."""
    refusal: str = ""
    """Why the watch did not do what was asked with it; empty: it did, or need not."""

    @property
    def kind(self) -> BatchEntryKind:
        """Return what it tells."""
        return next(kind for kind, content in CONTENT_TYPES.items() if isinstance(self.content, content))

    @property
    def is_backdated(self) -> bool:
        """Tell whether it was entered well after it happened."""
        return self.at_us - self.happened_at_us > BACKDATED_US


def batch_id(vat: str, at_us: int) -> str:
    """Return the identity of the batch whose start was entered for a vat then (UTC, microseconds)."""
    return blake2s(f"{vat} {at_us}".encode(), digest_size=6).hexdigest()


def labels(content: type[BatchContent] | BatchContent) -> Mapping[str, Field[Any]]:
    """Return the fields of a content by name: `metadata` has `words` and `unit`."""
    return {each.name: each for each in fields(content)}
