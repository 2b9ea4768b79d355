"""What the leads were on: lines by name, by colour, by pin of a diagnostic connector.

Pins of the 16-pin connector: ISO 15031-3 and ISO 15765-4 (6 and 14 CAN, 7 K-line, 4 and 5 ground, 16 supply); pins of
the 9-pin connector: SAE J1939-13; colours of its pair: SAE J1939-11 (all from memory).
"""

from __future__ import annotations

import re
from bisect import insort
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from casebase.intake.plain_words.plugs import Place, plug_before, plug_behind, plug_of_sentence
from casebase.intake.plain_words.written import Written, rule
from casebase.record.modules import modules_named_in
from casebase.record.vocabulary import LINES_OF_MEDIUM, POWER_LINES, Line, Medium

PINS_OF_DLC: Final = {
    "6": Line.CAN_HIGH,
    "14": Line.CAN_LOW,
    "7": Line.K_LINE,
    "15": Line.L_LINE,
    "4": Line.GROUND,
    "5": Line.GROUND,
    "16": Line.SUPPLY,
}
PINS_OF_TRUCK: Final = {"A": Line.GROUND, "B": Line.BATTERY_PLUS, "C": Line.CAN_HIGH, "D": Line.CAN_LOW}

PAIR: Final = "pair"
BOTH: Final = "both"

_NOT_A_LINE: Final = (
    r"(?![- ]?(?:speed|voltage|beam|volts?\b|battery|fuel|current|pressure|mileage|range|idle|resistance|enough|level"
    r"|ohm|side of|\u03a9))"
)
_POINTS: Final = rule(
    r"(?P<five>\b5 ?v(?:olts?)? ?(?:ref(?:erence)?|supply|feed|line)\b|\bsensor (?:5 ?v|supply)\b)"
    r"|(?P<bat_minus>\b(?:battery|batt?)[ ]?(?:negative|neg\b|minus|-(?![0-9]))"
    r"(?! (?:is |was )?(?:off|out|lifted|disconnected|removed|isolated|pulled|undone)\b)|\bb-(?=\W|$))"
    r"|(?P<bat_plus>\b(?:battery|batt?)[ ]?(?:positive|pos\b|plus|\+)|\bb(?:\+| plus\b)"
    r"|(?:(?<=to )|(?<=against ))(?:plus|positive)\b(?! (?:or|and) minus))"
    r"|(?P<bus_plus>\b(?:bus plus|(?-i:BP)|bp(?= [0-9]))\b)|(?P<bus_minus>\b(?:bus minus|(?-i:BM)|bm(?= [0-9]))\b)"
    r"|(?P<k>\bk[ -]?line\b)|(?P<lin>\blin(?:[ -](?:bus|line|wire))?\b)"
    r"|(?P<single>\b(?:single[ -]wire(?: can)?|sw[ -]?can)\b)"
    rf"|(?P<high>\bcan[ _-]?(?:bus[ -]?)?(?:high|hi|h)[0-9]?\b|(?<!too )(?<!very )(?<!so )\b(?:high"
    rf"|hi)\b{_NOT_A_LINE}(?: (?:line|wire|side)\b)?|(?<![\w'])(?:(?-i:H)"
    r"|h(?=\s?[-/]\s?(?:l|g\b|gnd|ground|earth"
    rf"|chassis)\b))(?!\w))"
    rf"|(?P<low>\bcan[ _-]?(?:bus[ -]?)?(?:low|lo|l)[0-9]?\b|(?<!too )(?<!very )(?<!so )(?<!battery )\b(?:low"
    rf"|lo)\b{_NOT_A_LINE}(?: (?:line|wire|side)\b)?|(?<![\w'])(?:(?-i:L)"
    r"|l(?=\s?[-/]\s?(?:gnd|ground|earth"
    rf"|chassis)\b)|(?<=\bh[-/])l)(?!\w))"
    r"|(?P<pair>\b(?:across(?= |$|,|\.|:)(?! (?:the |its |a |my |that )?(?:plug|load|ground|earth|fuse|feed"
    r"|supply|battery|batt"
    r"|relay|connector|switch|joint|splice|resistor|cable|lead|strap|bulb|terminals?)\b)|(?:between"
    r"|across) (?:the |both |can |2 "
    r"|bus ){0,3}(?:lines|wires|pair|them)|in between"
    r"|between(?=[:=]? ?[0-9]{2,3}(?:[.,][0-9])?(?: ?ohms?)?\s*(?:[.,;\n]|$))|(?:the )?pair)\b)"
    r"|(?P<both>(?:(?<=on )|(?<=at ))both pins\b|\bboth(?: (?:can )?(?:lines|wires|h ?(?:/|and"
    r"|&) ?l))?\b(?! (?:of (?:these|those|them)|times|cases"
    r"|instances|states|sides|ways|positions"
    r"|modules|ecus|in\b|ends|pins))|\b(?:the "
    r"|can )?lines(?= [0-9])|\beach (?:line|wire)\b|(?<=on )each(?=\s*(?:[,.;\n]|$)))"
    r"|(?P<ground_short>(?<=\b[HL][-/>])(?-i:G)(?!\w))"
    r"|(?P<shield>(?<=to )(?:the )?(?:shield|screen|drain wire)\b)|(?P<ground>(?:(?<=to )"
    r"|(?<=to the ))(?:body(?= (?:[0-9]|is |reads |over |more |OL))|frame\b)"
    r"|\b(?:ground|gnd|earth|chassis)(?: (?:side|pin|wire))?\b(?! (?:can|bus|fault)))"
    r"|(?P<supply_by_volts>(?:(?<=to )(?<!ed to )(?<!short to )|(?<=against )|(?<=to the ))(?:12"
    r"|24) ?v(?:olts?)?(?: (?:supply|feed"
    r"|plus))?\b(?! ?[0-9]))"
    r"|(?P<supply>\b(?:supply|feed|power (?:supply|feed)|[uv][ -]?batt?|power(?= ?(?:is |at |of |= ?|: ?"
    r"|\()?[0-9])|power(?= (?:at|on|to"
    r"|into) (?:the )?[a-z]{2,12}(?: [a-z]{2,10})?[:=]? ?(?:is )?[0-9]{1,2}[.,][0-9]))(?: (?:pin|wire|side"
    r"|line))?\b(?! (?:can|ok|good)))"
    r"|(?P<battery>(?<!at )(?<!disconnected )(?<!removed )(?<!unhooked )\b(?:battery|batt)\b"
    r"(?= (?:at |is |was |has |reads |shows |sits at |stays at |voltage |only |drops to |goes to |down to )?[0-9])"
    r"|(?:(?<=[0-9]v )|(?<=[0-9] v ))(?:battery|batt)\b(?! (?:charger|minus|neg|plus|pos|off|disc))"
    r"|\bcharging\b(?= (?:at )?[0-9]{2}[.,][0-9])|\balternator\b(?= (?:at |is |gives |charges at )?[0-9]))",
    re.IGNORECASE,
)
_AT_BATTERY: Final = rule(r"\b(?:at|on|across) (?:the )?(?:battery|batt)\b(?! voltage)", re.IGNORECASE)
_LINE_OF: Final = {
    "five": Line.FIVE_VOLTS,
    "bat_minus": Line.BATTERY_MINUS,
    "bat_plus": Line.BATTERY_PLUS,
    "bus_plus": Line.BUS_PLUS,
    "bus_minus": Line.BUS_MINUS,
    "k": Line.K_LINE,
    "lin": Line.LIN,
    "single": Line.CAN_SINGLE,
    "high": Line.CAN_HIGH,
    "low": Line.CAN_LOW,
    "ground": Line.GROUND,
    "ground_short": Line.GROUND,
    "shield": None,
    "supply": Line.SUPPLY,
    "supply_by_volts": Line.BATTERY_PLUS,
    "battery": Line.BATTERY_PLUS,
    "pair": PAIR,
    "both": BOTH,
}
_PIN: Final = rule(
    r"\b(?P<word>pins?|terminals?)[ -]?(?P<first>[0-9]{1,3}|(?-i:[A-K]))(?![\w.,]*[0-9])"
    r"(?:\s?(?:,|/|and|&|to|-|>| )\s?(?P<second>[0-9]{1,3}|(?-i:[A-K]))(?![\w]|[.,][0-9]| ?(?:V|volts?|ohms?"
    r"|\u03a9|=)(?!\w)))?",
    re.IGNORECASE,
)
_PIN_PAIR: Final = rule(
    r"(?<![\w.,/'-])(?P<first>6|14|4|5|16|3|11|7)\s?(?P<between>to|and|&|/|-|->|>|against| )\s?"
    r"(?:the )?(?P<second>14|16|11|6|4|5|3|7)(?![\w/-]|[.,][0-9]| ?(?:V|volts?|ohms?|\u03a9|k)(?!\w))",
    re.IGNORECASE,
)
_USUAL_PAIRS: Final = frozenset(
    map(
        frozenset,
        (
            ("6", "14"),
            ("6", "4"),
            ("6", "5"),
            ("14", "4"),
            ("14", "5"),
            ("6", "16"),
            ("14", "16"),
            ("3", "11"),
            ("16", "4"),
            ("16", "5"),
            ("7", "4"),
            ("7", "5"),
            ("4", "5"),
        ),
    )
)
_ON_PIN: Final = rule(
    r"\b(?:on|from|of|same|(?:red|lead|probe) (?:to|at|on)) (?P<first>6|14)(?![\w.,]*[0-9])(?! ?(?:V|ohm)\b)"
    r"|(?<=[0-9] \()(?P<after>6|14)(?=\))|(?<=[Vv] \()(?P<after_v>6|14)(?=\))"
    r"|(?<=@ )(?P<at>6|14)(?![\w.,]*[0-9])(?!\s?[-/])"
    r"|(?<![\w.,/'-])(?P<to_ground>6|14)(?=\s?(?:to|and|against|vs|versus|/|-|>)\s?(?:the )?(?:ground|gnd|earth"
    r"|chassis|body|battery|batt|b[-+]))|(?:^|(?<=[\n;,:]))\s{0,3}(?P<alone>6|14|16)(?=\s?[=:]\s?[0-9])",
    re.IGNORECASE,
)
_SITS: Final = (
    r"(?:is|was|reads?|has|gives?|shows?|gets?|sits|sitting|stays|stands|at|still|only|now|about"
    r"|around|up|stuck)"
)
_BARE_PIN: Final = rule(
    r"(?:^|(?<=\n)|(?<=[\n;,:.(] )|(?<=\band )|(?<=\bbut )|(?<=\bwhile )|(?<=\bat )|(?<=\bwith )"
    r"|(?<=\bvolts )|(?<=\bvoltage )|(?<=\bvoltages )|(?<=\bDC ))(?P<pin>6|14|16)"
    rf"(?=(?:\s{_SITS}){{1,4}}\s[0-9]{{1,2}}(?:[.,][0-9]+)?(?!\w)(?! ?(?:ohm|\u03a9|k\b))|\s?[:=]\s?[0-9]"
    r"|[ ]{1,12}[0-9]{1,2}[.,][0-9])",
    re.IGNORECASE,
)
"""A pin called by its number alone where its volts are told: `6 is sitting at 2.8 and 14 2.2`."""
_TRUCK_PAIR: Final = rule(r"(?<![\w-])([A-D])\s?(?:to|and|&|/|-|>)\s?([A-D])(?![\w-])")
_TRUCK_PIN: Final = rule(
    r"(?<![\w'-])([CD])(?=:? [0-9]+[.,][0-9]+(?: ?V|[ ,.]|$))"
    r"|(?<![\w'-])([CD])(?= ?(?:[Tt][Oo]|-|/|[Vv][Ss]) ?(?:[Gg][Nn][Dd]|[Gg]round|GROUND|[Ee]arth|EARTH"
    r"|[Cc]hassis|CHASSIS)\b)"
    r"|(?<![\w'-])([CD])(?= pin\b)|(?<=\b[Oo]n )([CD])(?= )|(?<=[0-9][Vv] )([CD])(?=[ ,.;]|$)"
    r"|(?<=[0-9] [Vv] )([CD])(?=[ ,.;]|$)"
)
_WIRE_COLOUR: Final = rule(
    r"(?:(?<=on the )|(?<=on ))(yellow|green)\b|\b(yellow|green)(?: wire)?\b(?= (?:is |at |has |reads? "
    r"|measures? |shows? |sits at |gives? |carries )?[0-9])",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Point:
    """One end of what was measured: its span, its line, `pair` or `both`; None for a pin whose line nobody knows.

    `place` is the plug that the pin belongs to, where it is not the diagnostic connector; `pin` its name.
    """

    start: int
    end: int
    line: Line | str | None
    pin: str | None = None
    place: str | None = None


@dataclass(frozen=True)
class Subject:
    """What an amount is of: one point, or two and whether the amount lies between them."""

    start: int
    end: int
    points: tuple[Point, ...]
    is_between: bool = False

    @property
    def lines(self) -> tuple[Line | str | None, ...]:
        """The line of each point."""
        return tuple(point.line for point in self.points)


BLACK_LEAD: Final = rule(
    r"\b(?:black(?: lead| probe)?|(?:negative|minus) (?:lead|probe)) (?:is |was )?(?:on|to"
    r"|at) (?:the )?(?:pin )?(?:4|5|ground|gnd"
    r"|chassis|earth|body)\b",
    re.IGNORECASE,
)
"""What all else is read against."""


def points_in(message: Written, media: set[Medium], places: list[Place]) -> list[Point]:
    """Return the points that the message names, in order; where two overlap the one told more of counts.

    A pin belongs to the plug named before it in its sentence; to the diagnostic connector where none is.
    """
    found = [
        *_pins(message, places),
        *_pin_pairs(message),
        *(_truck(message, media)),
        *(Point(*match.span(), _LINE_OF[str(match.lastgroup)]) for match in _POINTS.finditer(message.text)),
        *(Point(*match.span(), Line.BATTERY_PLUS) for match in _AT_BATTERY.finditer(message.text)),
    ]
    bare = [_pin(*match.span("pin"), match["pin"], None) for match in _BARE_PIN.finditer(message.text)]
    found += bare if found or {"6", "14"} <= {point.pin for point in bare} else []
    kept: list[Point] = []
    taken: set[int] = {at for match in BLACK_LEAD.finditer(message.text) for at in range(*match.span())}
    for point in found:
        if not taken.intersection(range(point.start, point.end)):
            taken.update(range(point.start, point.end))
            kept.append(point)
    kept = [one for one in kept if not _is_of_a_level(message.text, one, kept)]
    if Medium.SINGLE_WIRE_CAN in media:
        kept = [
            replace(one, line=Line.CAN_SINGLE) if one.pin == "1" and not one.place else one for one in kept
        ]
    return _with_their_pins(message.text, sorted(kept, key=lambda point: point.start))


_LEVEL_BEHIND: Final = rule(r"[0-9](?: ?v)? (?:high|low)(?=\s*(?:[,.;\n]|$))", re.IGNORECASE)


def _is_of_a_level(text: str, point: Point, points: list[Point]) -> bool:
    """Return whether `low` behind a number says how much there is, where no other line is named: `fluid 2.4 low`."""
    told = _LEVEL_BEHIND.search(text, max(0, point.start - 4))
    return len(points) == 1 and told is not None and told.end() == point.end


_AT_ITS_PLUG: Final = rule(r" (?:at|on|of) (?:the )?[\w ]{2,30} (?:plug|connector|socket) ", re.IGNORECASE)
_ON_THE_PIN: Final = rule(r"\s?(?:at|on|of|is|=|\()?\s?(?:the )?(?:[A-Z]{2,4} )?", re.IGNORECASE)


def _with_their_pins(text: str, points: list[Point]) -> list[Point]:
    """Return the points, a line with the pin named right behind it as one: `B+ at ECM pin 3`, `ground on pin 1`."""
    kept: list[Point] = []
    for point in points:
        joined = _as_one(text, kept[-1], point) if kept else None
        kept[len(kept) - bool(joined) :] = [joined or point]
    return kept


def _as_one(text: str, first: Point, second: Point) -> Point | None:
    """Return a line and the pin it is on as one point; None where they are two."""
    if first.line in (PAIR, BOTH) or second.line in (PAIR, BOTH):
        return None
    may_be_on_it = second.pin and first.pin is None and second.line in (None, first.line)
    leads = _ON_THE_PIN.fullmatch(text, first.end, second.start) or (
        second.place and _AT_ITS_PLUG.fullmatch(text, first.end, second.start)
    )
    if may_be_on_it and leads:
        pin = second.pin if second.place else None
        closed = text[first.end : second.start].endswith("(") and text[second.end : second.end + 1] == ")"
        return replace(first, end=second.end + closed, place=second.place, pin=pin)
    of_plug = first.place and first.line is None and second.pin is None
    if of_plug and text[first.end : second.start] == " ":
        return replace(second, start=first.start, place=first.place, pin=first.pin)
    return None


_HAS_VOLTS: Final = rule(
    r" (?:has|gets|got|sees)(?: \w+){0,2} [0-9]{1,2}(?:[.,][0-9]+)?(?: ?v\b| (?=on (?:pin|terminal)s? ))",
    re.IGNORECASE,
)
_IT_HAS: Final = rule(r"(?:^|[.;\n] )(?P<it>it)(?= )", re.IGNORECASE)


def _fed(text: str) -> Iterator[Place]:
    """Yield the plugs of modules that are said to have volts: pins behind are theirs, `ABS has 12.4 V on pin 1`."""
    named = modules_named_in(text, strict=False)
    for one in named:
        if _HAS_VOLTS.match(text, one.end):
            yield Place(one.start, one.end, f"connector of {text[one.start : one.end]}")
    for it in _IT_HAS.finditer(text):
        before = [one for one in named if one.end <= it.start()]
        if before and _HAS_VOLTS.match(text, it.end()):
            yield Place(*it.span("it"), f"connector of {text[before[-1].start : before[-1].end]}")


def _pins(message: Written, places: list[Place]) -> Iterator[Point]:
    told = sorted((*places, *_fed(message.text)), key=lambda one: one.start)
    for match in _PIN.finditer(message.text):
        place, begin = plug_before(message.text, match.start())
        place = place or plug_behind(message.text, match.end()) or plug_of_sentence(message, match, told)
        if place:
            insort(told, Place(begin, match.end(), place), key=lambda one: one.start)
        for name in ("first", "second"):
            if match[name]:
                start = begin if name == "first" else match.start(name)
                yield _pin(start, match.end(name), match[name], place)


def _pin(start: int, end: int, name: str, place: str | None) -> Point:
    line = None if place else PINS_OF_DLC.get(name) or PINS_OF_TRUCK.get(name)
    return Point(start, end, line, name, place)


def _pin_pairs(message: Written) -> Iterator[Point]:
    for match in _PIN_PAIR.finditer(message.text):
        if frozenset((match["first"], match["second"])) in _USUAL_PAIRS:
            for name in ("first", "second"):
                yield _pin(*match.span(name), match[name], None)
    for match in _ON_PIN.finditer(message.text):
        yield _pin(*match.span(str(match.lastgroup)), match[str(match.lastgroup)], None)


def _truck(message: Written, media: set[Medium]) -> Iterator[Point]:
    for match in _TRUCK_PAIR.finditer(message.text):
        for group in (1, 2):
            yield _pin(*match.span(group), match[group], None)
    pins = list(_TRUCK_PIN.finditer(message.text))
    both = {"C", "D"} <= {match[0] for match in pins}
    if Medium.J1939 not in media and not both and not _TRUCK_PAIR.search(message.text):
        return
    for match in pins:
        yield _pin(*match.span(), match[0], None)
    for match in _WIRE_COLOUR.finditer(message.text):
        line = Line.CAN_HIGH if match[0].lower().startswith("yellow") else Line.CAN_LOW
        yield Point(*match.span(), line)


_LINK: Final = rule(
    r"\s{0,2}(?:(?P<to>to|against|vs|versus|zu|gegen|/|-|->|>|,(?= ?6| ?14)|,? (?:and )?(?:the )?(?:other"
    r"|second|red|black)"
    r"(?: lead| probe)? (?:on|to|at))|(?P<and>and|&|\+))?\s{0,2}(?:the |pin |net |wire )?\s{0,2}",
    re.IGNORECASE,
)
_BETWEEN: Final = rule(r"\b(?:between|across)\s(?:the |pins? |net |wire )?$", re.IGNORECASE)


def subjects_in(message: Written, points: list[Point]) -> list[Subject]:
    """Return the points in groups: two that a word such as `to` joins are one subject."""
    found: list[Subject] = []
    at = 0
    while at < len(points):
        first, second = points[at], points[at + 1] if at + 1 < len(points) else None
        link = _LINK.fullmatch(message.text, first.end, second.start) if second else None
        if link and not (link["to"] or link["and"]) and "\n" in link[0]:
            link = None  # the rows of a table
        if second and link and _can_join(first, second):
            told = _BETWEEN.search(message.text[max(0, first.start - 14) : first.start])
            between = bool(told or not link["and"])
            start = first.start - len(told[0]) if told else first.start
            found.append(Subject(start, second.end, (first, second), between))
            at += 2
        elif second and link and link["to"] and (first.line, second.line) == (BOTH, Line.GROUND):
            found.append(Subject(first.start, second.end, (first,)))
            at += 2
        else:
            found.append(Subject(first.start, first.end, (first,)))
            at += 1
    return found


def _can_join(first: Point, second: Point) -> bool:
    """Return whether something can be measured between two points: on no bus are CAN high and LIN together."""
    words = (PAIR, BOTH)
    if first.line in words or second.line in words:
        return False
    if first.line == Line.LIN and second.line not in POWER_LINES:
        return False
    of_a_bus = {
        line for line in (first.line, second.line) if any(line in own for own in LINES_OF_MEDIUM.values())
    }
    return len(of_a_bus) < len(words) or any(of_a_bus <= set(own) for own in LINES_OF_MEDIUM.values())


def default_lines(medium: Medium) -> tuple[Line, ...]:
    """Return the lines that a reading without a line is of: one, or the pair."""
    lines = LINES_OF_MEDIUM[medium]
    return lines[:1] if medium is Medium.K_LINE else lines
