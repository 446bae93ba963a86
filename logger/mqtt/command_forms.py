"""Declares the commands that the hub may send: the form of each, its bounds, and an example of it.

Law: pure. The bounds of a number are those of `model/figures.py`, which also has the sentence that refuses what is
beyond them; here they only enter the schema.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Annotated, Any, get_args

import msgspec
from msgspec import Meta

from logger.model import Mark, figures
from logger.model.batch_text import BY_COMMAND
from logger.model.figures import LONGEST_NAME, LONGEST_TEXT, Figure
from logger.mqtt.payloads import PayloadKind
from logger.mqtt.topics import PATTERNS
from logger.structs import Struct

STRIP_U_PH = 0.2
"""Standard uncertainty of a spot measurement whose sender tells none: that of a paper strip (common practice, no
source)."""


def bounded(figure: Figure, description: str | None = None) -> Meta:
    """Return the annotation of a number with the bounds of a figure; both ends belong to it."""
    low, high = (int(end) if end == int(end) else end for end in (figure.low, figure.high))
    return Meta(description=description, extra_json_schema={"minimum": low, "maximum": high}, extra={"figure": figure})


OccurrenceSeen = Annotated[int, bounded(figures.OCCURRENCE, "The occurrence that was seen")]
SpotPh = Annotated[float, bounded(figures.SPOT_PH)]
Minutes = Annotated[float, bounded(figures.MINUTES)]


class CommandForm(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True, kw_only=True, frozen=True):
    """What every command may hold."""

    at: Annotated[
        Annotated[datetime, Meta(extra_json_schema={"format": "date-time"})] | None,
        Meta(
            description="When it was asked for, RFC 3339 with time zone; older than ten minutes it is refused, "
            "repeated it is recognised"
        ),
    ] = None


class AcknowledgeForm(CommandForm, frozen=True, kw_only=True):
    """A person knows of an occurrence."""

    occurrence: OccurrenceSeen


class AcknowledgeAllForm(CommandForm, frozen=True, kw_only=True):
    """A person knows of the occurrences that stood in a vat."""

    occurrences: Annotated[
        Mapping[str, Annotated[int, Meta(ge=0, le=2**53)]],
        Meta(description="By alarm, as the message `alarms` of the vat tells them"),
    ]


class UnshelveForm(CommandForm, frozen=True, kw_only=True):
    """End the shelving of an alarm."""


class ShelveForm(CommandForm, frozen=True, kw_only=True):
    """Silence an alarm for some minutes."""

    minutes: Minutes
    occurrence: OccurrenceSeen | None = None


class MarkForm(CommandForm, frozen=True, kw_only=True):
    """What a person does to a vat or its probe; the mark alone may also be sent as plain text."""

    mark: Mark
    minutes: Annotated[
        Minutes | None,
        Meta(description="How long probe-out, stirred or topped-up holds at most; the vat's default without it"),
    ] = None
    litres: Annotated[float, bounded(figures.LITRES, "With topped-up")] | None = None
    hours_ago: Annotated[float, bounded(figures.HOURS_AGO, "With started; 0 without it")] | None = None


class NoteForm(CommandForm, frozen=True, kw_only=True):
    """A line for the journal; a text that does not begin with { may also be sent as it is."""

    text: Annotated[str, Meta(min_length=1, max_length=LONGEST_TEXT, description="One line, no control characters")]


class BatchForm(CommandForm, frozen=True, kw_only=True):
    """An entry for the record of the batch that is under way in a vat."""

    entry: Annotated[str, Meta(extra_json_schema={"enum": [*BY_COMMAND]}, description="What it tells")]
    fields: Annotated[
        Mapping[str, str | float],
        Meta(description="Its fields, as the help topic `batch` names them; each text is one line of plain text"),
    ]


class SpotForm(CommandForm, frozen=True, kw_only=True):
    """The pH that another instrument shows in the brine now."""

    ph: SpotPh
    u: Annotated[float, bounded(figures.SPOT_U_PH, "Its standard uncertainty (k = 1): a meter 0.05, a strip 0.2")] = (
        STRIP_U_PH
    )
    instrument: Annotated[str, Meta(max_length=LONGEST_NAME)] = ""


Form = AcknowledgeForm | AcknowledgeAllForm | ShelveForm | UnshelveForm | MarkForm | NoteForm | BatchForm | SpotForm


class CommandRow(Struct, frozen=True, kw_only=True):
    """A command: its form, and an example of it that refusals show."""

    form: type[Form]
    example: str
    topic: str
    bare: Any = None
    """The type of the bare value that may be sent in place of the form, where that is no text."""
    schema: str = ""
    """The name of its schema, where that is not the verb."""

    @property
    def verb(self) -> str:
        """Return the last part of its topic."""
        return self.topic.rpartition("/")[2]

    @property
    def is_of_alarm(self) -> bool:
        """Tell whether it speaks of an alarm; else of a vat."""
        return "<alarm>" in self.topic

    @property
    def kind(self) -> PayloadKind:
        """Return it as a kind of payload."""
        return PayloadKind(
            name=self.schema or self.verb, form=self.form, topics=(self.topic,), bare=self.bare, received=True
        )

    @property
    def figures(self) -> Mapping[str, Figure]:
        """Return the bounds of its numbers, by their names."""
        return {field.name: figure for field in msgspec.structs.fields(self.form) for figure in _figures(field.type)}


def _figures(annotation: Any) -> Iterator[Figure]:  # noqa: ANN401 - any type
    """Yield the figures by which a type is bounded, also as a part of a union."""
    for each in getattr(annotation, "__metadata__", ()):
        if isinstance(each, Meta) and each.extra and "figure" in each.extra:
            yield each.extra["figure"]
    for part in get_args(annotation):
        yield from _figures(part)


COMMANDS: tuple[CommandRow, ...] = (
    CommandRow(
        form=AcknowledgeForm,
        example='{"occurrence": 3}',
        topic=PATTERNS.acknowledge("<vat>", "<alarm>"),
        bare=OccurrenceSeen,
    ),
    CommandRow(
        form=AcknowledgeAllForm,
        example='{"occurrences": {"ph-high": 3}}',
        topic=PATTERNS.acknowledge_all("<vat>"),
        schema="acknowledge-all",
    ),
    CommandRow(form=UnshelveForm, example="{}", topic=PATTERNS.unshelve("<vat>", "<alarm>")),
    CommandRow(form=ShelveForm, example='{"minutes": 30}', topic=PATTERNS.shelve("<vat>", "<alarm>")),
    CommandRow(
        form=MarkForm,
        example=f'{{"mark": "topped-up", "litres": 4}} or another of {", ".join(Mark)}',
        topic=PATTERNS.mark("<vat>"),
    ),
    CommandRow(
        form=NoteForm, example='{"text": "weights pushed down"} or a line of text', topic=PATTERNS.note("<vat>")
    ),
    CommandRow(
        form=BatchForm,
        example='{"entry": "ingredient", "fields": {"name": "sea salt", "mass_kg": 9.4, "lot": "R5"}}',
        topic=PATTERNS.batch("<vat>"),
    ),
    CommandRow(
        form=SpotForm,
        example='{"ph": 4.71, "u": 0.05, "instrument": "hand meter"}',
        topic=PATTERNS.spot("<vat>"),
        bare=SpotPh,
    ),
)
COMMANDS_BY_VERB: Mapping[tuple[str, bool], CommandRow] = {(row.verb, row.is_of_alarm): row for row in COMMANDS}
"""By the last part of the topic, and whether it speaks of an alarm."""
