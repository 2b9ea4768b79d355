"""What was measured, as far as its number and unit tell: `119 ohm`, `1.2k`, `2.4`, `OL`, `2.5 to 2.7 V`.

A number with a unit of something else, or with a word behind it that it counts, is none: 60 mph, 12 year, 15 A.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterator
from dataclasses import dataclass
from typing import Final

from casebase.errors import QuantityError
from casebase.intake.plain_words.written import Written, rule
from casebase.record.quantities import RESISTANCE, VOLTAGE, Amount
from casebase.record.reading_value import ReadingValue, read_reading_value
from casebase.record.vocabulary import Quantity

_NUMBER: Final = r"[0-9]+(?:[.,][0-9]+)?"
_UNIT: Final = (
    r"(?P<ohm>(?:(?-i:[kKmM])|kilo|meg|mega)?[ -]?(?:ohms?|\u03a9)|kilohms?|megohms?|kilo|meg|(?-i:[kKM]"
    r"|R(?! ?[=:])))(?!\w)"
    r"|(?P<volt>millivolts?|mv|volts?|v)(?P<alternating> ?ac)?(?: ?dc)?(?!\w)"
    r"|(?P<amp>milliamps?|ma|amps?|(?-i:A))(?!\w)"
)
_AMOUNT: Final = rule(
    rf"(?<![\w.,'+#-])(?P<limit>(?:more than|over|above|at least|less than|under|below|[<>])\s?)?"
    rf"(?P<low>{_NUMBER})(?:\s?(?:to|-|\.\.|\u2026)\s?(?P<high>{_NUMBER}))?(?:[ -]?(?:{_UNIT}))?(?![\w])(?!-?[0-9])",
    re.IGNORECASE,
)
_LETTER_AS_POINT: Final = rule(r"(?<![\w.,])[0-9]{1,3}[kKMR][0-9]{1,2}(?!\w)")
_OVER_LIMIT: Final = rule(
    r"(?<!\w)(?P<ol>(?-i:OL|O\.L\.?|ol)|infinite|infinity|over limit|\u221e)(?!\w)|\b(?P<open>open(?: circuit)?"
    r"|no continuity)\b",
    re.IGNORECASE,
)
_ALTERNATING: Final = rule(r"\b(?:ac volt(?:s|age)?|volts? ac|ac range)\b[^.;\n]{0,20}$", re.IGNORECASE)

_OTHER_UNIT: Final = rule(
    r"\s?(?:%|\u20ac|\u00a3|\$|\u00b0|:[0-9]{2}(?![0-9])|[x\u00d7](?= ?[0-9A-Z])|"
    r"(?:k|m)?(?:mi|miles?|km|kilomet\w+|mph|kmh|kph|rpm|nm|bar|psi|kpa|mm|cm|inch(?:es)?|ft|ah|kw|hp|bhp|w|watts?|"
    r"eur|euros?|usd|gbp|dollars?|pounds?|quid|bucks|s|secs?|seconds?|mins?|minutes?"
    r"|(?-i:h)(?! ?[0-9]+[.,][0-9])|hrs?|hours?|days?|weeks?|"
    r"months?|years?|year-old|yrs?|o'clock|am|pm|degrees?|deg|c(?! ?(?:to|and|-|/) ?D)|celsius|kbit|kbits|kbaud"
    r"|mbit|baud|bit|hz|khz|mhz|"
    r"litres?|liters?|kg|tonnes?|t|cc|cyl|ms|us|times|pcs?|st|nd|rd|th|ish?)(?![\w]))",
    re.IGNORECASE,
)
"""What a number is of that is no reading of a bus."""

_COUNTED: Final = rule(
    r"[ -]{1,2}(?![a-z-]{1,8} ?[:=])(?!(?:on|at|and|is|to|in|with|when|while|then|again|but|key|keys on|ign"
    r"|ignition|contact|battery"
    r"|batt|bat"
    r"|across|between|both|first|steady|every|not|now|still|only|always|either|from|without|after|hot|cold|warm|good"
    r"|perfect|exactly|ok"
    r"|okay|fine|normal|average|each|traffic|same|all|as|or|for|if|too|also|constant|flat|high|low|hi|lo|h|l"
    r"|[cd](?= ?(?:to|[0-9:-]))|can"
    r"|canh|canl|bp|bm|pin"
    r"|pins(?= ?[0-9A-K])|unplugged|off|no|vs|against|through|that|which|dropping|max|min|after|engine|running|koeo"
    r"|koer|cranking"
    r"|asleep|awake"
    r"|drop|back|instead|end|everywhere|there|here|gateway|yellow|green|maybe|about|lost|over|feed|supply|the"
    r"|of|bus|what|nothing"
    r"|idle|should|seems|looks|just|before|normally|usually|at|stays|until|once|dead|all)\b)[a-z]",
    re.IGNORECASE,
)
"""A word behind a number without unit that it seems to count: `2 keys`, `3 recalls`."""

_YEAR: Final = rule(r"19[89][0-9]|20[0-3][0-9]")
_NAMED: Final = rule(
    r"\b(?:fuse|fuses|relay|order|invoice|part|part no|no|nr|number|vin|address|page|visit|bill|price|quote|paid|cost"
    r"|code|year|(?<!\b[CD] )pin|pins|terminal|way|job|ticket|version|model|bolts|tyres|id|sa|oc|fmi"
    r"|spn|bank|cylinder|switched to|position|setting|gear|from 20|eur|usd|gbp|for|in 20)[ .:#]{0,3}$"
    r"|[\u20ac\u00a3$#] ?$",
    re.IGNORECASE,
)
"""What stands before a number that is a name or a price."""


@dataclass(frozen=True)
class Measured:
    """An amount in the message: its span, its text as a record holds it without unit where none was given."""

    start: int
    end: int
    number: str
    unit: str
    quantity: Quantity | None
    low: float
    is_open: bool = False

    def as_value(self, quantity: Quantity) -> str:
        """Return the text of the value as a reading of `quantity` holds it."""
        if self.is_open:
            return self.number
        bare = "ohm" if quantity is Quantity.RESISTANCE else "V"
        return f"{self.number} {self.unit or bare}"

    def fits(self, quantity: Quantity) -> bool:
        """Return whether a meter could show it as that: nobody reads 100 V on a bus."""
        return self.is_open or _value(self.as_value(quantity), quantity) is not None


def amounts_in(message: Written, named: Container[int] = ()) -> list[Measured]:
    """Return every amount of the message that may be a reading, in order; `named` is where names of lines end."""
    found = [*_with_letter(message), *_with_number(message, named), *_open(message)]
    return sorted(found, key=lambda one: one.start)


def _with_letter(message: Written) -> Iterator[Measured]:
    for match in _LETTER_AS_POINT.finditer(message.text):
        value = _value(match[0], Quantity.RESISTANCE)
        if isinstance(value, Amount):
            yield Measured(*match.span(), value.digits, value.unit, Quantity.RESISTANCE, value.low)


def _open(message: Written) -> Iterator[Measured]:
    for match in _OVER_LIMIT.finditer(message.text):
        word = "OL" if match["ol"] else "open"
        yield Measured(*match.span(), word, "", Quantity.RESISTANCE, float("inf"), is_open=True)


_BEHIND_NAME: Final = rule(r"(?:[\s:=]|\b(?:is|at|reads?|has|shows?)\b){1,8}\Z", re.IGNORECASE)


def _is_right_behind(text: str, named: Container[int], place: int) -> bool:
    """Return whether a number stands right behind the name of a line, and so is its value whatever word follows."""
    between = _BEHIND_NAME.search(text, max(0, place - _MOST_BEHIND_NAME), place)
    return between is not None and between.start() in named


_MOST_BEHIND_NAME: Final = 12


def _with_number(message: Written, named: Container[int]) -> Iterator[Measured]:
    text = message.text
    for match in _AMOUNT.finditer(text):
        bare = not (match["ohm"] or match["volt"] or match["amp"])
        if _is_of_something_else(text, match) or _is_named(text, match):
            continue
        counted = _COUNTED.match(text, match.end()) and not (
            "." in match[0] and _is_right_behind(text, named, match.start())
        )
        if bare and (counted or _YEAR.fullmatch(match[0])):
            continue
        if (
            bare
            and match[0].isdigit()
            and len(match[0]) <= _MOST_DIGITS_OF_A_PIN
            and _NUMBERED.search(text, max(0, match.start() - 24), match.start())
        ):
            continue
        if match["high"] and _CHANGES_FROM.search(text, max(0, match.start() - 30), match.start()):
            yield from _both_ends(text, match)
            continue
        if match["high"] and bare and _could_be_pins(match):
            continue
        measured = _measured(text, match)
        if measured:
            yield measured


def _is_named(text: str, match: re.Match[str]) -> bool:
    """Return whether a number is a name or a price, or numbers what has a value of its own: `LIN 1: 11.9`."""
    named = _NAMED.search(text[max(0, match.start() - 16) : match.start()])
    is_pin = named and named[0].lower().startswith(("pin", "terminal"))
    if named and not (is_pin and "." in match[0]):
        return True
    return len(match[0]) <= _MOST_DIGITS_OF_A_PIN and _HAS_A_VALUE.match(text, match.end()) is not None


_HAS_A_VALUE: Final = rule(r" ?[:=] ?[0-9]+(?:[.,][0-9]+)?(?: ?(?:V|ohm|k)\b|[ ,;]|$)", re.IGNORECASE)
_MOST_DIGITS_OF_A_PIN: Final = 2
_NUMBERED: Final = rule(
    r"\b(?:(?:channel|port|node|socket) ?|(?<!sits )(?<!settles )(?<!stays )(?<!steady )(?<!stuck )"
    r"(?<!hangs )(?<!stops )on (?:the )?|same |(?:red|black|leads?|probes?) (?:to|at) )\Z",
    re.IGNORECASE,
)
"""Before the number of a network or of a pin: `on bus 0`, `ground on 13`, `red to 14`."""
_CHANGES_FROM: Final = rule(
    r"\b(?:goes|go|went|drops?|dropped|jumps?|jumped|changes?|changed|rises?|rose|climbs?|climbed|falls?|fell|moves?)"
    r" (?:up |down |straight )?from \Z",
    re.IGNORECASE,
)


_TO_FROM: Final = rule(r"[0-9](?: ?(?:ohms?|v|volts?|\u03a9))? from \Z", re.IGNORECASE)


def changed_from(text: str, amount: Measured) -> bool:
    """Return whether an amount is what stood there before it changed: `goes from 60 to 120`."""
    start = max(0, amount.start - 30)
    return bool(_CHANGES_FROM.search(text, start, amount.start) or _TO_FROM.search(text, start, amount.start))


_LEAST_OHMS_OF_A_CHANGE: Final = 40.0
"""No supply of 24 V is so high: both ends of such a change are ohms."""


def _both_ends(text: str, change: re.Match[str]) -> Iterator[Measured]:
    """Yield what stood there before a change and what after it, each an amount of its own."""
    quantity, unit = _unit(change)
    ends = [float(change[name].replace(",", ".")) for name in ("low", "high")]
    if quantity is None and max(ends) >= _LEAST_OHMS_OF_A_CHANGE:
        quantity = Quantity.RESISTANCE
    for name in ("low", "high"):
        value = _value(f"{change[name]} {unit}".strip(), quantity or Quantity.RESISTANCE)
        if isinstance(value, Amount) and quantity is not Quantity.CURRENT:
            end = change.end(name) if name == "low" else change.end()
            yield Measured(change.start(name), end, str(value).rsplit(" ", 1)[0], unit, quantity, value.low)


_NOT_MEASURED: Final = rule(
    r" (?:range|scale|setting)\b|(?<=(?<![\d.,])(?:12|24|48)v)(?: (?:batt(?:ery)?(?= ?(?:at|is|was|reads|shows"
    r"|has|[=:]|[0-9]))"
    r"|system|truck|vehicle|network|side)\b)",
    re.IGNORECASE,
)
"""Behind a number that the meter is set to, or that a vehicle is named by: `200 ohm range`, `12V battery at 11.6`."""
_TOO_MUCH: Final = rule(r" (?:too (?:much|many|high|low|little)|more|less)\b", re.IGNORECASE)


def _is_of_something_else(text: str, match: re.Match[str]) -> bool:
    """Return whether a number has a unit of something else, or is one of two parted by a slash: 205/55, 11/25."""
    size_alone = (match["ohm"] or "k") in "kKM"
    bare = not (match["volt"] or match["amp"])
    whole = "." not in match["low"] and "," not in match["low"]
    parted = "/" in (text[match.start() - 1 : match.start()], text[match.end() : match.end() + 1])
    if _TOO_MUCH.match(text, match.end()) or _NOT_MEASURED.match(text, match.end()):
        return True
    return bool(size_alone and bare and _OTHER_UNIT.match(text, match.end())) or (bare and whole and parted)


def _could_be_pins(match: re.Match[str]) -> bool:
    return "." not in match[0] and "," not in match[0]


def _measured(text: str, match: re.Match[str]) -> Measured | None:
    quantity, unit = _unit(match)
    if quantity is Quantity.VOLTAGE and (
        match["alternating"] or _ALTERNATING.search(text[max(0, match.start() - 36) : match.start()])
    ):
        quantity = Quantity.AC_VOLTAGE
    limit = "" if _second_of_two(text, match) else match["limit"] or ""
    limit = {"<": "under ", ">": "over "}.get(limit.strip(), limit)
    number = match["low"] if not match["high"] else f"{match['low']} to {match['high']}"
    value = _value(f"{limit}{number} {unit}".strip(), quantity or Quantity.RESISTANCE)
    if value is None or (quantity is Quantity.CURRENT):
        return None
    low = value.low if isinstance(value, Amount) else float(match["low"].replace(",", "."))
    start = match.start() if limit else match.start("low")
    return Measured(start, match.end(), str(value).rsplit(" ", 1)[0], unit, quantity, low)


def _second_of_two(text: str, match: re.Match[str]) -> bool:
    """Return whether `over` parts two levels and limits none: `2.61 over 2.39`."""
    return (match["limit"] or "").lower().strip() == "over" and text[: match.start()][-2:-1].isdigit()


def _unit(match: re.Match[str]) -> tuple[Quantity | None, str]:
    """Return the quantity that a unit is of, and the unit as a record writes it."""
    if match["amp"]:
        return Quantity.CURRENT, "A"
    if match["volt"]:
        return Quantity.VOLTAGE, "mV" if match["volt"].lower().startswith("m") else "V"
    if not match["ohm"]:
        return None, ""
    spelled = match["ohm"]
    size = (
        "M"
        if spelled[:3].lower() == "meg" or spelled[0] == "M"
        else spelled[0].lower()
        if spelled[0] in "kKm"
        else ""
    )
    return Quantity.RESISTANCE, f"{size}ohm"


def _value(text: str, quantity: Quantity) -> ReadingValue | None:
    """Return the value that a reading of `quantity` takes `text` for; None where it takes none."""
    dimension = RESISTANCE if quantity is Quantity.RESISTANCE else VOLTAGE
    try:
        return read_reading_value(text, dimension)
    except QuantityError:
        return None
