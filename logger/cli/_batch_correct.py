"""Make the correction of an entry from what a person wrote."""

from typing import Any

from logger.cli._batch_entry import EntryOptions, field_type
from logger.cli._times import HouseTime, at, given
from logger.errors import RefusedError
from logger.model import AnyEntry, BatchContent, BatchEntryKind
from logger.store.batch_writing import new_entry_id
from logger.structs import replace


def corrected(
    old: AnyEntry,
    changes: tuple[str, ...],
    asked: EntryOptions,
    *,
    why: str,
    now: HouseTime,
    is_withdrawal: bool,
) -> AnyEntry:
    """Return the entry that stands in the place of an old one. Raises RefusedError for a field that it has not."""
    if is_withdrawal and old.kind in (BatchEntryKind.START, BatchEntryKind.END):
        raise RefusedError(
            f"the {old.kind} of a batch cannot be taken back, for the watch went by it: correct its time (--at) or note"
            " what happened"
        )
    content = old.content
    for change in changes:
        name, sign, text = change.partition("=")
        if not sign:
            raise RefusedError(f"write --set FIELD=VALUE, not {change!r}")
        content = replace(content, **{(field := _field(content, name.strip())): _parsed(content, field, text, now)})
    return replace(
        old,
        id=0,
        entry=new_entry_id(),
        at_us=now.at_us,
        happened_at_us=old.happened_at_us if asked.happened is None else at(asked.happened, now),
        by=asked.by,
        note=why,
        content=content,
        corrects=old.entry,
        is_withdrawal=is_withdrawal,
        record=None,
        refusal="",
    )


def _field(content: BatchContent, written: str) -> str:
    names = content.__struct_fields__
    name = written.replace("-", "_")
    meant = [each for each in names if each == name] or [each for each in names if each.startswith(f"{name}_")]
    if len(meant) != 1:
        raise RefusedError(f"such an entry has no field {written!r}; it has: {', '.join(names) or 'none'}")
    return meant[0]


def _parsed(content: BatchContent, name: str, text: str, now: HouseTime) -> Any:  # noqa: ANN401 - of any field
    kind = field_type(type(content), name)
    if kind is str:
        return text
    if not text.strip():
        return None
    if name.endswith("_at_us"):
        return at(given(text), now)
    try:
        return kind(text)
    except ValueError:
        raise RefusedError(f"{name} is a number, not {text!r}") from None
