"""What differs between two revisions of a record, field by field, with its place and both texts."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any, Final

from casebase.record.case import Case
from casebase.record.json_form import plain_data

_NOT_TOLD: Final = ("review", "revision", "id")
"""What the shop lead said stands beside the record, and which revision it is follows from its place."""


@dataclass(frozen=True)
class Difference:
    """A field that differs: its place as people write it, what stood there and what stands there; None for nothing."""

    field: str
    before: str | None
    after: str | None

    def words(self) -> str:
        """Return it in one line.

        >>> Difference("vehicle.odometer", "188000 km", "188500 km").words()
        'vehicle.odometer: 188000 km, now 188500 km'
        """
        if self.before is None:
            return f"{self.field}: added {self.after}"
        if self.after is None:
            return f"{self.field}: taken out {self.before}"
        return f"{self.field}: {self.before}, now {self.after}"


def differences(before: Case, after: Case) -> list[Difference]:
    """Return what differs between two records, in the order in which a record is told."""
    old, new = plain_data(before), plain_data(after)
    return [
        one
        for key in _keys(old, new)
        if key not in _NOT_TOLD
        for one in _between(key, old.get(key), new.get(key))
    ]


def _between(field: str, old: Any, new: Any) -> Iterator[Difference]:
    if old == new:
        return
    if isinstance(old, dict) and isinstance(new, dict):
        for key in _keys(old, new):
            yield from _between(f"{field}.{key}", old.get(key), new.get(key))
    elif isinstance(old, list) and isinstance(new, list):
        yield from _between_lists(field, old, new)
    else:
        yield Difference(field, _told(old), _told(new))


def _between_lists(field: str, old: list[Any], new: list[Any]) -> Iterator[Difference]:
    """Entries that were put in or taken out leave those after them alone; places are those of the new list."""
    before, after = ([json.dumps(entry, sort_keys=True) for entry in entries] for entries in (old, new))
    for begin, end, at, upto in _changes(before, after):
        both = min(end - begin, upto - at)
        for step in range(both):
            yield from _between(f"{field}[{at + step}]", old[begin + step], new[at + step])
        for place in range(begin + both, end):
            yield Difference(f"{field}[{place}]", _told(old[place]), None)
        for place in range(at + both, upto):
            yield Difference(f"{field}[{place}]", None, _told(new[place]))


def _changes(before: list[str], after: list[str]) -> Iterator[tuple[int, int, int, int]]:
    """Yield the spans that differ, as (begin, end) before and after: the same spans whichever list comes first."""
    turned = after < before  # the matcher decides ties by the order of its arguments
    matcher = SequenceMatcher(None, *((after, before) if turned else (before, after)), autojunk=False)
    for kind, begin, end, at, upto in matcher.get_opcodes():
        if kind != "equal":
            yield (at, upto, begin, end) if turned else (begin, end, at, upto)


def _keys(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """Return the keys of both, in the order of the record."""
    order = list(Case.model_fields)
    keys = dict.fromkeys([*old, *new])
    return sorted(keys, key=lambda key: order.index(key) if key in order else 0)


def _told(value: Any) -> str | None:
    """Return what stands in a field as one line of text."""
    if value is None:
        return None
    if isinstance(value, dict):
        return "; ".join(f"{key} {_told(inner)}" for key, inner in value.items())
    if isinstance(value, list):
        return ", ".join(str(_told(inner)) for inner in value)
    return " ".join(str(value).split())
