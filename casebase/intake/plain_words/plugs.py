"""Where the leads were: the diagnostic connector, plugs of modules, splices, and the plug that a pin belongs to."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from casebase.intake.plain_words.written import Written, rule
from casebase.record.modules import NamedModule, modules_named_in
from casebase.record.reading import PLACE_NOT_NAMED

_DLC: Final = rule(
    r"\b(?:dlc|obd(?: ?(?:2|ii))?|diag(?:nostic)?s? (?:connector|plug|socket|port)|(?:9|16)[- ]pin)\b",
    re.IGNORECASE,
)
_NAMED_PLACE: Final = rule(
    r"\b(?:splice|joint|inline connector)s? ?[A-Z]{1,3}[0-9]{1,4}\b|(?<![\w])(?:[SX][0-9]{2,4}|C[0-9]{2,3})\b"
)
_AT_PLUG: Final = rule(
    r"\b(?:at|on|to|of)?\s?(?:the )?(?:plug|connector|conn|socket) (?:of|at|on|for) (?:the )?", re.IGNORECASE
)
_PLUG_WORD: Final = rule(
    r"\s(?:plug|connector|conn|socket|side of the plug)\b(?! (?:of|for)\b)", re.IGNORECASE
)
_AT: Final = rule(r"\b(?:at|on) (?:the )?$", re.IGNORECASE)
_END: Final = rule(r"\s(?:end|side)\b", re.IGNORECASE)


_AT_PART: Final = rule(
    r"\bat (?:the |its )?(?P<part>(?!(?:the|a|an|each|every|any|both|all|other|same|my|his|to"
    r"|of)\b)[a-z]{3,14}(?: [a-z]{3,14})?"
    r" (?:sensor|motor|unit|pump|actuator|camera|switch|headlight|headlamp|mirror|amplifier|head|controller"
    r"|module))\b"
    r"(?! (?:lamp|light|fuse|feed|bolt|resistor|coil|relay|is|was))",
    re.IGNORECASE,
)
"""A part that is no module by any known name, at which something was read."""


_AT_END: Final = rule(
    r"\bat (?:the )?(?:(?P<which>other|far|same|near|this|that|one)|(?P<part>(?!(?:the|green|black"
    r"|gr[ae]y|white|yellow|blue|red|brown|service|its|his|her|their|your"
    r"|any|both|each|every|diag\w*|deutsch|main|big|small|round|square)\b)"
    r"[a-z]{3,14})) (?:end|plug|connector)\b",
    re.IGNORECASE,
)
"""The end of a wire at a part that has no name of its own: `7.5 at the sensor end`."""


_ITS_PLUG: Final = rule(
    r"\b(?:at|on|in) (?:its|his|the (?P<noun>sensor|module|unit|motor|pump|controller)(?:'?s)?)(?: own)?"
    r" (?:plug|connector|socket|pins)\b",
    re.IGNORECASE,
)
"""The plug of what was named last in the sentence."""


@dataclass(frozen=True)
class Place:
    """Where the leads were: its span and its name as a record holds it."""

    start: int
    end: int
    name: str


def places_in(message: Written) -> list[Place]:
    """Return the places that the message names, in order: the diagnostic connector, plugs of modules, splices."""
    text = message.text
    found = [Place(*match.span(), "DLC") for match in _DLC.finditer(text)]
    found += [Place(*match.span(), match[0]) for match in _NAMED_PLACE.finditer(text)]
    named = modules_named_in(text, strict=False)
    for module in named:
        name = f"connector of {text[module.start : module.end]}"
        before = text[max(0, module.start - 30) : module.start]
        plug = _PLUG_WORD.match(text, module.end) or (_AT.search(before) and _END.match(text, module.end))
        behind_plug = next((one for one in _AT_PLUG.finditer(before) if one.end() == len(before)), None)
        if plug:
            found.append(Place(module.start, plug.end(), name))
        elif behind_plug:
            found.append(Place(module.start - len(before) + behind_plug.start(), module.end, name))
        elif _AT.search(before) and (
            text[module.start : module.end].isupper() or _is_beside_value(text, module)
        ):
            found.append(Place(module.start, module.end, name))
    found += list(_told_by_it(text, named))
    taken = {at for place in found for at in range(place.start, place.end)}
    found += [
        Place(match.start("part"), match.end("part"), f"connector of {match['part']}")
        for match in _AT_PART.finditer(text)
        if taken.isdisjoint(range(*match.span("part")))
    ]
    taken.update(at for place in found for at in range(place.start, place.end))
    found += [
        Place(*match.span(), PLACE_NOT_NAMED if match["which"] else f"connector of {match['part']}")
        for match in _AT_END.finditer(text)
        if taken.isdisjoint(range(*match.span()))
    ]
    return sorted(found, key=lambda place: place.start)


_VALUE_BEHIND: Final = rule(r"\s?[:=]? ?[0-9]")
_VALUE_BEFORE: Final = rule(
    r"[0-9](?: ?(?:k|m)?(?:ohms?|v|volts?|\u03a9))? (?:at|on) (?:the )?\Z", re.IGNORECASE
)
_ENDS: Final = rule(r"\s*(?:[.,;:\n]|$|and\b|with\b|but\b)", re.IGNORECASE)


def _is_beside_value(text: str, module: NamedModule) -> bool:
    """Return whether `at` a module stands right before or behind what was read there: `sixty at the abs`."""
    if _VALUE_BEHIND.match(text, module.end):
        return True
    before = _VALUE_BEFORE.search(text, max(0, module.start - 24), module.start)
    return bool(before and _ENDS.match(text, module.end))


def _told_by_it(text: str, named: list[NamedModule]) -> Iterator[Place]:
    """Yield the plugs of what was named before in the sentence: `airbag module dead, 12.3 V at its plug`."""
    for match in _ITS_PLUG.finditer(text):
        before = [one for one in named if one.end <= match.start()]
        until = len(
            text[: match.start()].rstrip(" .;")
        )  # of the sentence before where this one begins with it
        told = before[-1] if before and not _STOP.search(text, before[-1].end, until) else None
        if told:
            yield Place(*match.span(), f"connector of {text[told.start : told.end]}")
        elif match["noun"]:
            yield Place(*match.span(), f"connector of {match['noun']}")


# --- of a pin ---------------------------------------------------------------------------------------------------------

_PLUG_BEFORE: Final = rule(r"(?:plug|connector|conn)?\s{0,2}$", re.IGNORECASE)
_PLUG_BEHIND: Final = rule(
    r" (?:of|at|on|in) (?:the )?(?:(?P<number>[A-Z]{1,3}[0-9]{1,4})\b|(?P<name>(?!(?i:the|obd|diag|dlc|data link|9"
    r"|16|deutsch|test|green|black|gr[ae]y|round|nine|service|big|small|main))"
    r"(?:[A-Za-z]{2,12} ){1,2})(?i:plug|connector|socket)\b)"
)


def plug_before(text: str, end: int) -> tuple[str | None, int]:
    """Return the plug that the words right before a pin name, `ECM pin 61`, and where they begin."""
    window = text[max(0, end - 40) : end]
    named = modules_named_in(window, strict=False)
    if not named or not _PLUG_BEFORE.fullmatch(window[named[-1].end :]):
        return None, end
    start = end - len(window) + named[-1].start
    return f"connector of {window[named[-1].start : named[-1].end]}", start


def plug_behind(text: str, start: int) -> str | None:
    """Return the plug by its number that the words right behind a pin name: `pin 3 of X12`."""
    found = _PLUG_BEHIND.match(text, start)
    if not found:
        return None
    return found["number"] or f"connector of {found['name'].strip()}"


_STOP: Final = rule(r"[;\n]|\.\s")


def plug_of_sentence(message: Written, pin: re.Match[str], places: list[Place]) -> str | None:
    """Return the plug of a module that stands before a pin in its sentence, the last named; None for the DLC."""
    at = bisect_left(places, pin.start(), key=lambda place: place.start) - 1
    if at < 0 or places[at].name == "DLC" or _STOP.search(message.text, places[at].end, pin.start()):
        return None
    return places[at].name
