"""Numbers with the unit of a reading that are of no line of the network: of parts, sensors, coils, a module on a bench.

All of the words are common practice, no source. In doubt a number stays in the story.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

from casebase.intake.plain_words.amounts import Measured
from casebase.intake.plain_words.written import Clause, Span, rule
from casebase.record.vocabulary import Quantity


def is_of_no_line(text: str, clause: Clause, amount: Measured, named: Sequence[Span]) -> bool:
    """Return whether an amount is a part's, a component's or a module's own, not the network's.

    `named` are the spans of lines, pins and modules: a resistance beside one of these is of the network.
    """
    before = text[clause.start : amount.start]
    return (
        _is_of_a_part(text, amount, before)
        or bool(_OWN_SIDE.search(before) or _PULLED.search(before))
        or bool(_OF_A_CHIP.search(text, clause.sentence[0], amount.start))
        or bool(_SHORTED_TO.search(before))
        or _is_nominal_supply(text, amount)
        or bool(_DIFFERENCE.match(text, amount.end) or _DIFFERS_BY.search(before))
        or bool(_OWN_SIDE_BEHIND.match(text, amount.end))
        or _is_on_the_bench(text, clause.sentence)
        or _is_of_a_component(text, clause, amount, named)
    )


# --- parts named by their value ---------------------------------------------------------------------------------------

_KIND_OF_PART: Final = (
    r"(?:(?:terminat(?:ion|ing|or)|end|line|bus|can|series|parallel|test|load|dropper|split|internal|external"
    r"|built-?in"
    r"|on-?board|[0-9/]+ ?w(?:att)?|wire-?wound|film|smd|blade|mini|main|slow-?blow)[ -]){0,3}"
)
_PART_BEHIND: Final = rule(
    rf"[ -]?{_KIND_OF_PART}(?:resistors?|terminators?|terminals|pull-?(?:ups?|downs?)|potentiometers?|fuses?|bulbs?"
    rf"|relays?"
    rf"|coils?"
    r"|capacitors?|zeners?|diodes?|heaters?|speakers?|chokes?|ferrites?|test (?:lamps?|lights?)|chargers?|adapters?"
    r"|regulators?|converters?|batter(?:y|ies) pack)\b"
    r"(?! (?:out|unplugged|removed|disconnected|pulled) ?(?:[:=]|[0-9]))",
    re.IGNORECASE,
)
_TERMINATION_BEHIND: Final = rule(rf"[ -]?{_KIND_OF_PART}terminations?\b", re.IGNORECASE)
_COUNTED_BEFORE: Final = rule(
    r"(?:\b(?:a|an|2|3|4|both|another|each|single|needs?|has the|with)|[0-9] ?[x\u00d7*]) $", re.IGNORECASE
)
_SEVERAL: Final = rule(r"(?<!pin )(?<!pins )(?<![\w.,/-])[2-4] $")
"""A count before a part that its value names: `two 60 ohm in there`."""
_PART_BEFORE: Final = rule(
    r"\b(?:(?:resistors?|terminators?|pull-?(?:ups?|downs?))[ (]{1,2}(?:(?:of|is|are|was|were|being|rated|value|at"
    r"|about"
    r"|around)\s)*|terminated (?:with|by|in|at) (?:a |an |the )?)$",
    re.IGNORECASE,
)
_PART_IS: Final = rule(r"(?:\(|\b(?:of|is|are|was|were|being|rated|value|at|with|by|in|an?|the) )$")
_CONNECTED: Final = rule(
    r"\s?(?:ohms?)? (?:connected|fitted|installed|soldered|wired|added|placed|bridged|jumpered) (?:in\b|across"
    r"|between|to|on|at)",
    re.IGNORECASE,
)
_PUT_IN: Final = rule(
    r"\b(?:with|put|fit\w*|add\w*|solder\w*|stuck|bridg\w*|hung|install\w*|built) (?:in )?(?:a|an|another|my"
    r"|one|1|extra) $",
    re.IGNORECASE,
)
_INSIDE: Final = rule(
    r"(?: ?ohms?)? (?:inside(?! (?:the |my )?(?:dlc|obd|connector|plug|car|van|cab))|built[- ]in|on ?board"
    r"|internal(?:ly)?)\b",
    re.IGNORECASE,
)
"""What a module holds: `the ABS has a 120 ohm inside`."""
_LIMIT: Final = rule(r"(?:[\u2265\u2264]|[<>]=) ?$")
"""A value of a specification: nobody reads `at least`."""
_TOGETHER: Final = rule(
    r",? (?:that'?s|that is|which is|it'?s)\s{1,2}(?:for|of|from) the (?!can\b|bus\b|network\b|pair\b)|"
    r"(?:ohms?)?,? (?:in|wired in) (?:parallel|series)\b|(?:ohms?)? each\b|(?:ohms?)? (?:per (?:end|resistor|module)"
    r"|at (?:each|both) ends?|on (?:each|both) ends?|each side|with (?:the |my )?(?:leads|probes)"
    r" (?:together|shorted|touching))\b",
    re.IGNORECASE,
)


def _is_of_a_part(text: str, amount: Measured, before: str) -> bool:
    """Return whether an amount names a part: `a 120 ohm resistor`, `two 120 ohm in parallel`."""
    named = (
        _PART_BEHIND.match(text, amount.end)
        or (amount.quantity is Quantity.RESISTANCE and _SEVERAL.search(before))
        or (_TERMINATION_BEHIND.match(text, amount.end) and _COUNTED_BEFORE.search(before))
        or (_PART_BEFORE.search(before) and _PART_IS.search(before))
        or _CONNECTED.match(text, amount.end)
        or _LIMIT.search(before)
        or _PUT_IN.search(before)
        or _INSIDE.match(text, amount.end)
    )
    ohms = amount.quantity is Quantity.RESISTANCE or (amount.quantity is None and amount.low >= _LEAST_OHMS)
    return bool(named or (ohms and _TOGETHER.match(text, amount.end)))


_LEAST_OHMS: Final = 8.0

_SHORTED_TO: Final = rule(
    r"\bshort(?:ed|s)? to (?:the )?(?:power|battery|batt|b\+|plus|positive|supply|feed)? ?$", re.IGNORECASE
)
"""Before the name of a supply by its volts."""
_DIFFERENCE: Final = rule(
    r",? (?:below|above|under|over|higher|lower|more|less)(?: than)? (?:the |can )?(?:high|low|other|battery"
    r"|ground|normal|spec)\b"
    r"|,? (?:higher|lower|more|less)\b|,? (?:difference|apart)\b",
    re.IGNORECASE,
)
"""Behind how far two values lie apart: neither was read."""
_DIFFERS_BY: Final = rule(r"\bby (?:about |around |some |only |just |another )?$", re.IGNORECASE)
_OF_A_CHIP: Final = rule(r"\b(?:rx|tx|rxd|txd|vcc|vdd|gpio)\b[^,.;:?!\n]*,?[^,.;:?!\n]*$", re.IGNORECASE)
"""Before what was read on a pin inside a module."""

_SUPPLY_BEHIND: Final = rule(
    r"/|[ -](?:batt(?:ery)?|supply|systems?|sockets?|lines?|feeds?|rails?|power|sources?|outlets?|adapters?|side"
    r"|loads?)\b"
    r"(?! (?:is|was|at|reads|shows|has|drops?|goes|only|ok)\b|[:=]| ?[0-9])",
    re.IGNORECASE,
)
_FEED_READS: Final = rule(
    r"[ -](?:supply|feed|rail|power)(?: pin| wire)?(?: (?:is|was|at|reads|shows|has|only|still)|[:=])* ?[0-9]",
    re.IGNORECASE,
)
"""Behind the volts that a feed is named by, before those it has: `12V feed 12.6`."""
_CALLED_BY: Final = rule(
    r"\b(?:the|an?|my|any|its|main|aux\w*|disconnect\w*|from|to|with|full) $", re.IGNORECASE
)


def _is_nominal_supply(text: str, amount: Measured) -> bool:
    """Return whether a voltage is the name of a supply: `disconnecting the 12V battery`."""
    called = amount.number in ("12", "24", "48", "5") and amount.quantity is Quantity.VOLTAGE
    if called and _FEED_READS.match(text, amount.end):
        return True
    return bool(
        called
        and _SUPPLY_BEHIND.match(text, amount.end)
        and _CALLED_BY.search(text, max(0, amount.start - 16), amount.start)
    )


_PULLED: Final = rule(r"\bpull(?:ed)?[ -]?(?:up|down)s?\b[^,.;]{0,40}$", re.IGNORECASE)
_ON_THE_BENCH: Final = rule(
    r"\b(?:on|at) (?:the|my|a) bench\b|(?<!battery )(?<!batt )\bout of the (?:car|vehicle|truck|van)\b",
    re.IGNORECASE,
)


@lru_cache(maxsize=64)
def _is_on_the_bench(text: str, sentence: Span) -> bool:
    return _ON_THE_BENCH.search(text, *sentence) is not None


_OWN_SIDE: Final = rule(
    r"\b(?:(?:pins?|modules?|components?|units?|ecus?|devices?) side"
    r"|(?:remote|fob|key|coin|button|torch|meter|sensor) (?:battery|cell|supply))\b[^\n]{0,24}$",
    re.IGNORECASE,
)
"""Before what was read into a module with its plug off, or on a part that was out: nothing of the network."""


_OWN_SIDE_BEHIND: Final = rule(
    r",? ?(?:ohms? |v |volts? )?(?:on|at|from) (?:the |its )?(?:pins?|modules?|components?|units?|ecus?"
    r"|devices?) side\b",
    re.IGNORECASE,
)
_IT_MEASURES: Final = rule(r"\b(?:it|which|that) (?:measures?|reads?|is|shows?|measured)\b", re.IGNORECASE)
_NEARLY: Final = 0.05


def measures_the_part(text: str, part: Measured, amount: Measured) -> bool:
    """Return whether an amount is what a part named by its value measured: `a 120 ohm resistor. It measures 121`."""
    near = abs(amount.low - part.low) <= _NEARLY * part.low
    return near and bool(_IT_MEASURES.search(text, part.end, min(amount.start, part.end + _FARTHEST)))


_FARTHEST: Final = 80


# --- sensors, coils and the like --------------------------------------------------------------------------------------

_COMPONENT: Final = (
    r"(?:sensors?|senders?|injectors?|coils?|relays?|glow ?plugs?|spark ?plugs?|thermistors?|ntcs?|solenoids?"
    r"|heaters?"
    r"|elements?|pumps?|horns?|starters?|speakers?|motors?|valves?|actuators?|bulbs?|straps?|pick-?ups?|windings?"
    r"|stators?|fuses?"
    r"|rotors?|pots?|pedals?|squibs?|(?:meter|test) leads?|probes?|(?:terminators?|resistors?) (?:in|at|on"
    r"|of) (?:the )?\w+)"
)
_COMPONENT_BEFORE: Final = rule(
    rf"\b{_COMPONENT}(?: (?:f?[0-9]{{1,2}}|hot|cold|front|rear|left|right|lf|rf|lr|rr|inlet"
    rf"|outlet)){{0,2}}(?: (?:reads?|is"
    rf"|was|are"
    r"|at|has|measures?|measured|shows?|resistance|gives?|have|got|all|each|both|around|about|roughly"
    r"|on its own))*[\s:=(]{0,3}$",
    re.IGNORECASE,
)
_COMPONENT_BEHIND: Final = rule(
    rf"(?: reading| resistance)? (?:on|at|of|across|through|for|in) (?:the |each |a )?(?:\w+ ){{0,2}}{_COMPONENT}\b"
    r"(?! (?:end|side|plug|connector)\b)",
    re.IGNORECASE,
)


_LABEL: Final = rule(rf"\W*(?:[0-9]{{1,2}}[.)]\s*)?(?:\w+ ){{0,2}}(?:{_COMPONENT}|fuses?)\s?:", re.IGNORECASE)
"""What begins a line on one part: `pyro fuse: replaced, 2 ohms to its terminal`."""


def _is_of_a_component(text: str, clause: Clause, amount: Measured, named: Sequence[Span]) -> bool:
    """Return whether a resistance is a sensor's, a coil's or the like, and no line of the network is named with it."""
    if amount.quantity not in (None, Quantity.RESISTANCE):
        return False
    labelled = amount.quantity and _LABEL.match(text, clause.sentence[0])
    if labelled:
        return True
    if any(clause.start <= start < clause.end for start, _ in named):
        return False
    return bool(
        _COMPONENT_BEFORE.search(text, max(clause.start, amount.start - 60), amount.start)
        or _COMPONENT_BEHIND.match(text[: clause.end], amount.end)
    )
