"""What people enter into the record of a batch: dated entries, each of a kind with its own fields.

Law: frozen data. An entry is never changed or taken away: a correction is a new entry that names the old one. Every
field may be empty ("" or None): nobody said, and the report prints that it was not recorded. Free text is kept exactly.
An entry has two times: when it was entered, and when what it tells happened; where these lie apart it is backdated.

The identity of a batch, like that of an entry, is no row's number: a batch may go on in another store after its own
was renewed, and is one batch. It is made from the vat and the microsecond at which the start was entered, so the watch
and the store know it from the same command without asking each other.
"""

from collections.abc import Mapping
from enum import StrEnum
from hashlib import blake2s
from typing import Annotated, Generic, TypeVar, get_type_hints

from logger.structs import Struct
from logger.units import MINUTE_US

BACKDATED_US = 10 * MINUTE_US
"""Entered so much later than it happened, an entry says so. Common practice, no source."""


class Said(Struct, frozen=True):
    """What is known of a field of an entry beside its type: every one may be empty."""

    words: str
    """Its label in print and in the help."""
    unit: str = ""
    """Of a number."""
    choices: type[StrEnum] | None = None
    """The only values that it takes beside the empty one."""


class Disposition(StrEnum):
    """What became of a batch, or of the part of it that a departure concerns."""

    RELEASE = "release"
    REPROCESS = "reprocess"
    HOLD = "hold"
    """Set aside for a process authority to evaluate."""
    DESTROY = "destroy"


class BatchStart(Struct, frozen=True, kw_only=True):
    """The batch begins; `BatchEntry.happened_at_us` says when."""

    profile: Annotated[str, Said("profile of the vat")] = ""
    config_hash: Annotated[str, Said("hash of the configuration")] = ""


class BatchEnd(Struct, frozen=True, kw_only=True):
    """The batch has ended."""

    disposition: Annotated[str, Said("disposition", choices=Disposition)] = ""


class BatchHeader(Struct, frozen=True, kw_only=True):
    """What the batch is. A later header adds to the one before: what it leaves empty stays."""

    facility: Annotated[str, Said("name of the facility")] = ""
    address: Annotated[str, Said("address or location")] = ""
    product: Annotated[str, Said("product")] = ""
    recipe: Annotated[str, Said("recipe and its version")] = ""
    process: Annotated[str, Said("scheduled process or food-safety plan")] = ""
    authority: Annotated[str, Said("letter of the process authority")] = ""
    lot: Annotated[str, Said("lot code")] = ""
    volume_l: Annotated[float | None, Said("volume", unit="L")] = None
    salt_percent: Annotated[float | None, Said("salt, part of the total mass", unit="%")] = None
    starter: Annotated[str, Said("starter: lot and dose, or the batch it was taken from")] = ""
    containers: Annotated[str, Said("containers to be filled: sizes")] = ""
    operators: Annotated[str, Said("operators and their initials")] = ""
    jurisdiction: Annotated[str, Said("note on the jurisdiction")] = ""
    retention: Annotated[str, Said("keep this record until")] = ""


class CriticalLimits(Struct, frozen=True, kw_only=True):
    """The critical limits and who approved them; set before the start if it was entered by then."""

    ph: Annotated[float | None, Said("pH at or below", unit="pH")] = None
    deadline_h: Annotated[float | None, Said("within hours of the start", unit="h")] = None
    low_c: Annotated[float | None, Said("temperature not below", unit="C")] = None
    high_c: Annotated[float | None, Said("temperature not above", unit="C")] = None
    salt_min_percent: Annotated[float | None, Said("salt not below", unit="%")] = None
    salt_max_percent: Annotated[float | None, Said("salt not above", unit="%")] = None
    hold_h: Annotated[float | None, Said("to be held at that pH for", unit="h")] = None
    monitoring_s: Annotated[float | None, Said("monitored every", unit="s")] = None
    action: Annotated[str, Said("what to do when a limit is passed")] = ""
    approved_by: Annotated[str, Said("approved by")] = ""
    version: Annotated[str, Said("version")] = ""
    origin: Annotated[str, Said("taken from (the configuration, a plan)")] = ""


class Use(StrEnum):
    """What an ingredient is used as."""

    RAW = "raw material"
    SALT = "salt"
    WATER = "water"
    STARTER = "starter"
    ADDITIVE = "additive"
    PACKAGING = "packaging"


class Ingredient(Struct, frozen=True, kw_only=True):
    """What went in at the beginning: raw material, salt, water, starter, additive, packaging."""

    name: Annotated[str, Said("what")] = ""
    use: Annotated[str, Said("used as", choices=Use)] = ""
    supplier: Annotated[str, Said("supplier")] = ""
    lot: Annotated[str, Said("lot")] = ""
    mass_kg: Annotated[float | None, Said("mass", unit="kg")] = None
    part_percent: Annotated[float | None, Said("part of the total mass", unit="%")] = None
    received: Annotated[str, Said("received on")] = ""
    examination: Annotated[str, Said("result of the examination")] = ""
    guarantee: Annotated[str, Said("supplier's guarantee")] = ""
    washed: Annotated[str, Said("how it was washed or sanitised")] = ""


class Addition(Struct, frozen=True, kw_only=True):
    """What was added later."""

    what: Annotated[str, Said("what was added")] = ""
    litres: Annotated[float | None, Said("amount", unit="L")] = None
    mass_kg: Annotated[float | None, Said("mass", unit="kg")] = None
    salt_percent: Annotated[float | None, Said("salt in it", unit="%")] = None
    lot: Annotated[str, Said("lot")] = ""


class Remark(Struct, frozen=True, kw_only=True):
    """A note."""

    text: Annotated[str, Said("note")] = ""


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


class IndependentMeasurement(Struct, frozen=True, kw_only=True):
    """What another instrument, a strip or a titration gave.

    A pH beside the probe is a spot measurement: `check` is its number among the checks of the probe, which holds what
    the probe read then. Without one the probe was not compared, and `note` of the entry may say why.
    """

    quantity: Annotated[str, Said("quantity", choices=Measured)] = ""
    value: Annotated[float | None, Said("value")] = None
    unit: Annotated[str, Said("unit")] = ""
    u: Annotated[float | None, Said("standard uncertainty")] = None
    method: Annotated[str, Said("method", choices=MeasuredBy)] = ""
    instrument: Annotated[str, Said("instrument and its calibration")] = ""
    acid: Annotated[str, Said("titrated as which acid")] = ""
    sample: Annotated[str, Said("sample: place, depth, brine or solids")] = ""
    sample_c: Annotated[float | None, Said("temperature of the sample", unit="C")] = None
    reading: Annotated[float | None, Said("the probe then")] = None
    check: Annotated[int | None, Said("number of the check")] = None


class Departure(Struct, frozen=True, kw_only=True):
    """A departure from a critical limit or from the process."""

    limit: Annotated[str, Said("what limit or rule")] = ""
    from_at_us: Annotated[int | None, Said("from", unit="us")] = None
    until_at_us: Annotated[int | None, Said("until", unit="us")] = None
    affected: Annotated[str, Said("quantity or containers concerned")] = ""
    discovery: Annotated[str, Said("how it was found")] = ""
    cause: Annotated[str, Said("cause")] = ""
    immediate_action: Annotated[str, Said("immediate action")] = ""
    corrective_action: Annotated[str, Said("corrective action")] = ""
    preventive_action: Annotated[str, Said("preventive action")] = ""
    evaluated_by: Annotated[str, Said("evaluated by: name, qualification, reference")] = ""
    disposition: Annotated[str, Said("disposition", choices=Disposition)] = ""


class Finish(Struct, frozen=True, kw_only=True):
    """The finished product."""

    equilibrium_ph: Annotated[float | None, Said("equilibrium pH of the finished product", unit="pH")] = None
    method: Annotated[str, Said("method")] = ""
    instrument: Annotated[str, Said("instrument")] = ""
    samples: Annotated[int | None, Said("number of samples")] = None
    values: Annotated[str, Said("the single values")] = ""
    hold_h: Annotated[float | None, Said("held at that pH for", unit="h")] = None
    sensory: Annotated[str, Said("smell, taste, film, mould")] = ""
    thermal: Annotated[str, Said("thermal process")] = ""
    packaging: Annotated[str, Said("packaging and its lots")] = ""
    yielded: Annotated[str, Said("yield")] = ""
    storage_c: Annotated[float | None, Said("storage temperature", unit="C")] = None
    signed_by: Annotated[str, Said("signed by")] = ""


class Distribution(Struct, frozen=True, kw_only=True):
    """Where it first went."""

    consignee: Annotated[str, Said("first consignee")] = ""
    date: Annotated[str, Said("date")] = ""
    quantity: Annotated[str, Said("quantity")] = ""
    lot: Annotated[str, Said("lot")] = ""


class Review(Struct, frozen=True, kw_only=True):
    """Somebody reviewed the record."""

    reviewer: Annotated[str, Said("reviewer")] = ""
    findings: Annotated[str, Said("findings")] = ""


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


class BatchEntry(Struct, Generic[Content_co], frozen=True, kw_only=True):
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


def labels(content: type[BatchContent] | BatchContent) -> Mapping[str, Said]:
    """Return what is known of the fields of a content, by name."""
    kind = content if isinstance(content, type) else type(content)
    return {name: hint.__metadata__[0] for name, hint in get_type_hints(kind, include_extras=True).items()}
