"""Modules by the names that a message gives them, everyday names too, and which of them are said to be unplugged."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from casebase.intake.plain_words.written import Written, rule
from casebase.record.modules import NamedModule, module_key, modules_named_in

_UNPLUG: Final = rule(
    r"\b(?:un-?plug(?:ged|ging|s)?|disconnect(?:ed|ing)?|pull(?:ed|ing)?|lift(?:ed)?|removed?|without)\s(?:the )?",
    re.IGNORECASE,
)
_UNPLUGGED_BEHIND: Final = rule(
    r"(?:\s(?:plug|connector))?\s\(?(?:is |was |are |also )?(?:un-?plugged|disconnected|pulled|off"
    r"|out)\b(?! too)|\s(?:un-?plugged|off) too\b",
    re.IGNORECASE,
)
_SWITCHED_OFF: Final = rule(
    r"(?:engine|radio|lights?|climate|heater|a/c) (?:is |was )?(?:off|out)", re.IGNORECASE
)
"""Said of what is switched, not unplugged."""

_PLUGGED: Final = rule(
    r"\b(?:plugged (?:back )?in|put back|re-?connected|everything (?:plugged )?in|(?:both|all) (?:plugged )?in\b"
    r"|nothing unplugged|plug in\b)",
    re.IGNORECASE,
)
_JOINED: Final = rule(r"\s{0,2}(?:,|and|&|\+|/)\s{0,2}(?:the )?", re.IGNORECASE)
_PLUG_NAME: Final = rule(
    r"(?:dash ?cam|tracker|alarm|siren|dongle|stereo|head unit|trailer|tow ?bar(?: module)?|tail ?lift|caravan"
    r"|[A-Z]{1,3}[0-9]{2,4}"
    r"|(?!(?:other|big|small|main|whole|same|right|left|first|second|obd|diag\w*|battery|that|this|one|its"
    r"|his)\b)[a-z]{3,14}"
    r"(?= (?:plug|connector))"
    r"|[a-z]{3,14}(?: [a-z]{3,14}){0,2} (?:sensor|module|unit|pump|motor|box|heater|charger|switch|lamp|light"
    r"|dongle))\b",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Named:
    """A module by the name that the message gives it: its span and that name."""

    start: int
    end: int
    name: str
    is_clear: bool
    """Whether the name means a module wherever it stands, as an abbreviation in capitals does."""


_OTHER_THING: Final = rule(r"\b(?:sensor|hose|tow) $", re.IGNORECASE)
"""A word in front of what is a module's name alone: a sensor cluster is no instrument cluster."""


_CHASSIS: Final = rule(r"to body(?= (?:[0-9]|is |reads |over |more |OL))", re.IGNORECASE)
"""The body that a voltage or a resistance is measured to."""


def modules_in(message: Written) -> list[Named]:
    """Return the modules that the message names, in order, everyday names too."""
    text = message.text
    clear = {one.start: one.end for one in modules_named_in(text)}
    known = [
        _without_speaker(text, part)
        for one in modules_named_in(text, strict=False)
        for part in _parted_by_stops(text, one)
    ]
    named = [
        Named(one.start, one.end, _name(message, one), _is_clear(one.start, one.end, clear))
        for one in known
        if not _OTHER_THING.search(text[max(0, one.start - 8) : one.start])
        and not _CHASSIS.match(text, max(0, one.start - 3))
        and text[one.start : one.end].lower() != "chassis"
    ]
    named += [
        Named(*match.span("ecu" if match["ecu"] else "bare"), "engine ECU", is_clear=True)
        for match in _LONE_ECU.finditer(text)
        if (match["whose"] or "").lower() != "the" or not any(one.start < match.start() for one in named)
    ]
    inside = {place for one in known for place in range(one.start, one.end)}
    unknown = []
    for one in _unknown_named(text):
        begins = next((known for known in named if known.start == one.start and known.end < one.end), None)
        if begins and not begins.is_clear:
            named.remove(begins)
            inside -= set(range(begins.start, begins.end))
        if inside.isdisjoint(range(one.start, one.end)):
            unknown.append(one)
    return list(_of_one_name(text, sorted((*named, *unknown), key=lambda one: one.start)))


def _of_one_name(text: str, named: list[Named]) -> Iterator[Named]:
    """Yield the modules, `trailer ABS` as one: a module of another vehicle is not this one's."""
    whose: Named | None = None
    for one in named:
        joined = whose is not None and whose.end == one.start - 1 and text[whose.end] == " "
        if whose and joined:
            yield Named(whose.start, one.end, text[whose.start : one.end], one.is_clear)
        elif whose:
            yield whose
        is_whose = not joined and text[one.start : one.end].lower() in ("trailer", "caravan", "hybrid")
        whose = one if is_whose else None
        if not (joined or is_whose):
            yield one
    if whose:
        yield whose


_SPEAKER: Final = rule(r"[.,;]? I\Z")
_SPEAKS: Final = rule(r" [a-z]{2,}")


def _parted_by_stops(text: str, named: NamedModule) -> Iterator[NamedModule]:
    """Yield what stands between stops of a name that holds one, where that names a module: of `ABS, ESP` both."""
    start = named.start
    for stop in (*_STOP.finditer(text, named.start, named.end), None):
        end = stop.start() if stop else named.end
        if (start, end) == (named.start, named.end) or module_key(text[start:end]) is not None:
            yield named._replace(start=start, end=end)
        start = stop.end() if stop else end


_STOP: Final = rule(r"[,.;:]\s{1,2}")


def _without_speaker(text: str, named: NamedModule) -> NamedModule:
    """Return a module without what is no number of it: who speaks, a pole of the battery: `ABS I have`, `TCM B+`."""
    if text[named.end - 2 : named.end + 1] in (" B+", " B-"):
        return named._replace(end=named.end - 2)
    speaker = _SPEAKER.search(text, max(named.start, named.end - 3), named.end)
    return named._replace(end=speaker.start()) if speaker and _SPEAKS.match(text, named.end) else named


_LONE_ECU: Final = rule(
    r"(?:\b(?P<whose>the|cars?|vehicles?|trucks?|vans?)\s{1,2}(?P<ecu>ecu)\b|(?<=[,.;:] )(?P<bare>ecu)(?= (?:feed"
    r"|supply"
    r"|power|plug|connector|ground)\b))(?! (?:of|for|in)\b)(?!')",
    re.IGNORECASE,
)
"""The ECU of nothing else that was named is the engine's (common practice, no source)."""

_UNKNOWN: Final = rule(
    r"(?<![\w'-])(?:[a-z]{3,14} (?:[0-9] )?){1,3}(?:controller|module|control unit|control module|ecu|unit"
    r"|modulator|receiver|regulator|converter|on-?board charger)\b(?!')"
    r"|(?<![\w'-])(?:climate|hvac|heater|switch|touch|overhead) (?:control )?panel\b"
    r"|(?<![\w'-])(?:[a-z]{3,14} )?radar\b",
    re.IGNORECASE,
)
_NO_NAME: Final = rule(
    r"the|a|an|any|all|each|every|other|another|this|that|these|which|what|my|his|her|its|our|their|your|new|"
    r"used|old|dead|silent|whole|no|not|with|from|to|in|into|of|off|out|and|or|but|for|on|at|is|was|are|were|"
    r"has|have|had|does|did|will|would|can|could|swapped|swap|replaced|replace|changed|change|fitted|fit|"
    r"unplugged|unplug|pulled|removed|tried|try|reset|coded|programmed|disconnected|same|faulty|bad|good|known|"
    r"one|two|three|four|both|single|missing|lost|only|last|first|second|third|still|also|then|now|when|while|"
    r"if|so|than|as|by|be|been|comms|communication|contact|response|answer|answers|reply|talks|talk|sees|see|"
    r"finds|find|between|behind|near|after|before|without|think|maybe|control|electronic|main|some|most|many|"
    r"few|such|unknown|own|wrong|suspect|burnt|cooked|fried|genuine|reconditioned|refurbished|hand|spare|"
    r"original|customer|said|got|get|gets|code|codes|lamp|light|wet",
    re.IGNORECASE,
)
"""Words that are no part of a module's name."""


def _unknown_named(text: str) -> Iterator[Named]:
    """Yield what is called a module by its last word, though no table knows it: `header controller`."""
    for match in _UNKNOWN.finditer(text):
        words = list(re.finditer(r"\S+", match[0]))
        head = 2 if match[0].lower().endswith(("control unit", "control module")) else 1
        own = len(words) - head if len(words) > head else 0
        while own > 0 and not _NO_NAME.fullmatch(words[own - 1][0]):
            own -= 1
        if len(words) - own > head or len(words) == 1:
            start = match.start() + words[own].start()
            yield Named(start, match.end(), text[start : match.end()], is_clear=True)


def _name(message: Written, named: NamedModule) -> str:
    """Return a module's name as typed, or spelled right where that means no module."""
    typed = message.phrase(named.start, named.end)
    return typed if module_key(typed) else " ".join(message.text[named.start : named.end].split())


def _is_clear(start: int, end: int, clear: dict[int, int]) -> bool:
    return any(clear.get(first, end + 1) <= end for first in range(start, end))


@dataclass(frozen=True)
class Unplugged:
    """Modules said to be unplugged while measuring, as written; none for all plugged in again."""

    start: int
    end: int
    names: tuple[str, ...]


def unplugged_in(message: Written, modules: list[Named]) -> list[Unplugged]:
    """Return what is said to be unplugged, in order."""
    text = message.text
    by_start = {one.start: index for index, one in enumerate(modules)}
    found: list[Unplugged] = []
    for match in _UNPLUG.finditer(text):
        index = by_start.get(match.end())
        other = _PLUG_NAME.match(text, match.end())
        if index is not None:
            names, end = _listed(text, modules, index)
            found.append(Unplugged(match.start(), end, names))
        elif other:
            found.append(Unplugged(match.start(), other.end(), (other[0],)))
    for one in (*modules, *_other_names(text)):
        behind = _UNPLUGGED_BEHIND.match(text, one.end)
        all_but = _ALL_BUT.search(text, max(0, one.start - 40), one.start) if behind else None
        if behind and all_but:
            found.append(Unplugged(all_but.start(), behind.end(), (text[all_but.start() : one.end],)))
            continue
        if behind and (one.is_clear or not _SWITCHED_OFF.fullmatch(text, one.start, behind.end())):
            found.append(Unplugged(one.start, behind.end(), (one.name,)))
    without = {one.end for one in found if text[one.start : one.end].lower().startswith("without")}
    found += [
        Unplugged(*match.span(), ())
        for match in _PLUGGED.finditer(text)
        if match.start() - 1 not in without  # `without the radio plugged in`
    ]
    return sorted(found, key=lambda one: one.start)


_ALL_BUT: Final = rule(
    r"\b(?:every(?: module| one|thing)?|all(?: (?:the )?(?:modules|ecus|units|others))?) (?:but|except|bar"
    r"|apart from|save)"
    r" (?:for )?(?:the |my )?\Z",
    re.IGNORECASE,
)
"""Before the one module that stays plugged in."""
_OTHER_NAME: Final = rule(
    r"\b(?:trailer|tow ?bar(?: module)?|tail ?lift|caravan|tracker|dash ?cam|dongle|inverter)\b",
    re.IGNORECASE,
)


def _other_names(text: str) -> Iterator[Named]:
    for match in _OTHER_NAME.finditer(text):
        yield Named(*match.span(), match[0], is_clear=False)


def _listed(text: str, modules: list[Named], index: int) -> tuple[tuple[str, ...], int]:
    """Return the modules listed from `index` on, and where the list ends."""
    names = [modules[index].name]
    while index + 1 < len(modules) and _JOINED.fullmatch(text, modules[index].end, modules[index + 1].start):
        index += 1
        names.append(modules[index].name)
    return tuple(names), modules[index].end
