"""Edits of a record: what differs between two revisions, and single fields set by their name: `note=` and a value."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher, get_close_matches
from itertools import pairwise
from typing import Any, Final

from casebase.errors import InputError
from casebase.record.case import Case, Cause, Fix, Provenance, ReviewState, Verification
from casebase.record.fields import Part
from casebase.record.json_form import plain_data
from casebase.record.loading import case_from_data
from casebase.record.problems import printable
from casebase.record.vehicle import Vehicle

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


_STEP: Final = re.compile(r"([a-z_][a-z0-9_]*)((?:\[[0-9]{1,4}\])*)")
_GROUPS: Final[dict[str, type[Part]]] = {
    "vehicle": Vehicle,
    "cause": Cause,
    "fix": Fix,
    "verification": Verification,
    "provenance": Provenance,
}
"""Parts of which a record has one each: their fields may be named without the part."""

_NOT_SET: Final = {
    "id": "given by the library",
    "revision": "counted by the library",
    "review": "said with casebase review",
}


def with_fields(case: Case, settings: Iterable[str], source: str) -> Case:
    """Return a record with fields set, each given as `FIELD=VALUE`, checked as a whole; its review begins anew.

    Raises `InputError` for what names no field, and `RecordError` under the name `source` for what does not fit.
    """
    data = plain_data(case)
    data.pop("review", None)
    for setting in settings:
        field, is_there, value = setting.partition("=")
        if not is_there:
            raise InputError(f"'{printable(setting)}': expected FIELD=VALUE, such as odometer=188000km")
        _set(data, _path(field.strip()), value.strip())
    return case_from_data(data, source)


def without_review(case: Case) -> Case:
    """Return a record of which nothing was said yet."""
    return case.model_copy(update={"review": ReviewState()})


def _path(field: str) -> list[str | int]:
    """Return the steps to a field; one that stands in a part of which there is one may be named alone.

    >>> _path("odometer")
    ['vehicle', 'odometer']
    >>> _path("steps[2].found")
    ['steps', 2, 'found']
    """
    steps: list[str | int] = []
    for part in field.split("."):
        match = _STEP.fullmatch(part)
        if match is None:
            raise InputError(f"'{printable(field)}': expected the name of a field, such as steps[2].found")
        steps += [match[1], *(int(place) for place in re.findall(r"[0-9]+", match[2]))]
    first = str(steps[0])
    if first in _NOT_SET:
        raise InputError(f"{first}: {_NOT_SET[first]}, not set here: leave it out")
    if first in Case.model_fields:
        return steps
    parts = [name for name, part in _GROUPS.items() if first in part.model_fields]
    if len(parts) == 1:
        return [parts[0], *steps]
    raise InputError(_no_such_field(first, parts))


def _no_such_field(named: str, parts: list[str]) -> str:
    if parts:
        return f"'{named}' stands in several parts: say {' or '.join(f'{part}.{named}' for part in parts)}"
    known = [*Case.model_fields, *(key for part in _GROUPS.values() for key in part.model_fields)]
    close = get_close_matches(named, known, n=1)
    hint = f"did you mean '{close[0]}'? " if close else ""
    return f"'{printable(named)}': {hint}no field of a record: casebase template --full prints them all"


def _set(data: dict[str, Any], path: list[str | int], value: str) -> None:
    """Set what stands at a path of plain data; an empty value takes it out, a list grows by one place at its end."""
    here: Any = data
    for step, following in pairwise(path):
        here = _inside(here, step, [] if isinstance(following, int) else {}, path)
    last = path[-1]
    if value:
        _inside(here, last, value, path)
        here[last] = value
    elif isinstance(here, dict):
        here.pop(last, None)
    elif isinstance(last, int) and last < len(here):
        del here[last]


def _inside(here: Any, step: str | int, new: Any, path: list[str | int]) -> Any:
    """Return what stands at a step, made where it is not there yet."""
    if isinstance(here, list) and isinstance(step, int):
        if step > len(here):
            raise InputError(f"{path[0]}: {len(here)} entries: expected [0] to [{len(here)}]")
        if step == len(here):
            here.append(new)
        return here[step]
    if isinstance(here, dict) and isinstance(step, str):
        return here.setdefault(step, new)
    raise InputError(f"{path[0]}: not so deep: casebase show ID --file prints the fields that there are")
