"""The state in which something was measured: ignition, battery, what was unplugged; the networks a message names."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from casebase.intake.plain_words.written import Written, rule
from casebase.record.vocabulary import Battery, Ignition, Medium

_POLE: Final = r"(?:lead|cable|terminal|clamp|pole|post|strap)s?"
_BATTERY: Final = rf"(?:batt?(?:ery|eries|\.)?)(?: (?:neg(?:ative)?|minus|earth|ground))?(?: {_POLE})?"
_TAKEN_OFF: Final = (
    r"(?:off|away|apart|disconnected|disc(?:onn?)?|out|unplugged|isolated|removed|lifted|unhooked|unclamped|unbolted|pulled"
    r"|undone|taken off)\b(?! (?:for (?:[0-9]+|an?|some)|[0-9]+"
    r" ?(?:min\w*|hours?|days?|times|weeks?))\b)"
)
_KEY: Final = r"(?:keys?|key switch|ign(?:ition)?|contact|klemme 15|kl\.? ?15|terminal 15|t15)"
_STATES: Final = rule(
    rf"(?P<on>(?:(?<=\band )|(?<=\bthen )|(?<=\bback on )|(?<=\b, ))switched (?:it |her )?on\b"
    rf"|\b{_KEY}(?:\s?[:=]|(?:\s(?:is|was|switched|turned)){{1,2}})?\s?on\b|\b(?:koeo|key (?:is )?(?:in"
    rf"|at) (?:the )?(?:run|position (?:2|ii)|second position)"
    rf"|run position)\b"
    r"|(?<!problem )(?<!problems )(?<!issue )\bwith (?:the )?(?:contact|ignition)\b(?=\s*(?:[.,;:)\n]|$)))"
    rf"|(?P<off>\b{_KEY}(?:\s?[:=]|(?:\s(?:is|was|switched|turned)){{1,2}})?\s?(?:off|cut)\b|\bkeys? out\b"
    r"|\beverything (?:is |was |switched |turned )?off\b)"
    r"|(?P<running>\b(?:engine (?:is )?(?:running|on|idling)|with (?:the )?engine running|at idle"
    r"|\brunning\b(?! board)|koer)\b)"
    r"|(?P<cranking>\b(?:while|when|during|on) (?:cranking|starting|crank)\b|\bcranking\b)"
    rf"|(?P<connected>\b(?:with )?(?:it|{_BATTERY})(?: is| was)? (?:re-?)?connected\b|\bre-?connect(?:ed"
    rf"|ing) (?:it|the"
    rf" {_BATTERY}|{_BATTERY}))"
    rf"|(?P<battery>\b{_BATTERY} (?:is |was )?not connected\b|\b{_BATTERY} (?:(?:is|was|were|all|taken|being"
    rf"|been|has) ){{0,3}}{_TAKEN_OFF}"
    rf"|\b(?:neg(?:ative)?|minus|earth)(?: {_POLE})? (?:is |was )?(?:off|away|lifted|disconnected|undone|removed)\b"
    rf"|\b(?:with no|without(?: the| a)?) {_BATTERY}(?=\s*(?:[.,;:)\n]|$|connected|i\b))"
    rf"|\b(?:disconnected|unhooked|removed|isolated|disconnecting|unclamped|unbolted|took off|taken off|undid"
    rf"|lifted) (?:the )?{_BATTERY}(?!\w)(?! (?:for (?:[0-9]+|an?|some)\b|[0-9]+"
    r" ?(?:min\w*|hours?|days?|weeks?)))|\b(?:isolator|(?:battery|master|main) switch) (?:is |was )?(?:turned "
    r"|switched )?"
    r"(?:off|open)"
    r"|\b(?:un-?powered|powered (?:off|down)|(?:the )?(?:power|12 ?v|24 ?v|supply) (?:is |was |being )?(?:off|removed"
    r"|disconnected)|no power on (?:it|the (?:car|bus|network)))\b)",
    re.IGNORECASE,
)
STATES: Final[dict[str, Ignition | Battery]] = {
    "on": Ignition.ON,
    "off": Ignition.OFF,
    "running": Ignition.RUNNING,
    "cranking": Ignition.CRANKING,
    "connected": Battery.CONNECTED,
}
_LOADED: Final = rule(
    r"\b(?:load tested|under load|with (?:a |the |my )?(?:[0-9]+ ?w(?:atts?)? )?(?:test )?(?:bulb|lamp"
    r"|load)(?: across)?"
    r"|(?:put|hung|hang|using|connected) (?:a |the )?(?:[0-9]+ ?w(?:atts?)? )?(?:bulb|test lamp|lamp|load) (?:on"
    r"|across|to|at)"
    r"|at [0-9.]+ ?A\b|bulb across|loaded)",
    re.IGNORECASE,
)
_NOT_LOADED: Final = rule(
    r"\b(?:no load|without (?:a )?(?:load|bulb|lamp)|without\b(?=\s*[.,;]|$))", re.IGNORECASE
)


@dataclass(frozen=True)
class StateSaid:
    """A state of the vehicle said at a place of the message: `value` is its ignition, or battery disconnected."""

    start: int
    end: int
    value: Ignition | Battery


def states_in(message: Written) -> list[StateSaid]:
    """Return the states that the message says, in order."""
    return [
        StateSaid(*match.span(), STATES.get(str(match.lastgroup), Battery.DISCONNECTED))
        for match in _STATES.finditer(message.text)
        if not match["connected"]
        or "batt" in message.text[max(0, match.start() - _NEAR) : match.end()].lower()
    ]


_NEAR: Final = 60
"""Characters within which `it` is the battery."""


def load_said(message: Written, start: int, end: int) -> bool | None:
    """Return whether a stretch of the message says that a lamp drew current; None where it does not say."""
    if _NOT_LOADED.search(message.text, start, end):
        return False
    return True if _LOADED.search(message.text, start, end) else None


# --- networks -----------------------------------------------------------------------------------------------------

_MEDIA: Final = rule(
    r"(?P<fault_tolerant>\b(?:fault[ -]tolerant|low[ -]speed (?:can|bus)|ls[ -]?can)\b)"
    r"|(?P<single>\b(?:single[ -]wire|sw[ -]?can)\b)"
    r"|(?P<j1939>\bj ?1939\b|\biso ?11783\b)|(?P<lin>\blin\b(?!\? no\b))|(?P<flexray>\bflex ?ray\b)"
    r"|(?P<k_line>\bk[ -]?line\b)"
    r"|(?P<fd>\bcan[ -]?fd\b)|(?P<hs>\b(?:high[ -]speed can|hs[ -]?can)\b)",
    re.IGNORECASE,
)
_MEDIUM_OF: Final = {
    "fault_tolerant": Medium.FAULT_TOLERANT_CAN,
    "single": Medium.SINGLE_WIRE_CAN,
    "j1939": Medium.J1939,
    "lin": Medium.LIN,
    "flexray": Medium.FLEXRAY,
    "k_line": Medium.K_LINE,
    "fd": Medium.CAN_FD,
    "hs": Medium.HIGH_SPEED_CAN,
}


@dataclass(frozen=True)
class MediumSaid:
    """A network named by its kind, and where."""

    start: int
    end: int
    medium: Medium


def media_in(message: Written) -> list[MediumSaid]:
    """Return the kinds of network that the message names, in order."""
    return [
        MediumSaid(*match.span(), _MEDIUM_OF[str(match.lastgroup)]) for match in _MEDIA.finditer(message.text)
    ]


_NO_NETWORK_NAME: Final = (
    r"(?!(?:the|a|an|this|that|my|his|her|its|our|both|each|every|any|all|which|what|one|same|other|main|high|low"
    r"|speed|single"
    r"|wire|tolerant|fault|hs|ls|sw|i|you|we|it|he|she|they|only|whole|vehicle|car|truck|on|at|for|and|of|is|to"
    r"|from)\b)"
)
_NAMED_NETWORK: Final = rule(
    rf"(?P<numbered>\b(?:can[ -]?[1-9]|(?-i:CAN[ -]?[A-EG-KM-Z]))(?![\w.,]*[0-9])(?=\s?(?:[:=]|is|reads|has|at"
    rf"|shows)?\s?(?:[0-9]|OL|open)))"
    rf"|\b(?:on|at|for) (?:the )?(?P<name>(?:{_NO_NETWORK_NAME}[a-z]\w{{0,14}}[ -]?)(?:can)(?: ?bus)?(?:["
    rf" -]?[0-9]\b)?)"
    r"(?![ _-]?(?:high|low|hi|lo|h|l|fd)\b)(?!\w)",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class NetworkNamed:
    """A network called by a name of its maker's, and where: `on comfort CAN`."""

    start: int
    end: int
    name: str


def networks_named_in(message: Written) -> list[NetworkNamed]:
    """Return the networks that the message calls by a name of their own, in order."""
    return [
        NetworkNamed(*match.span(), " ".join((match["name"] or match["numbered"]).split()))
        for match in _NAMED_NETWORK.finditer(message.text)
    ]


_TESTER: Final = rule(
    r"\b(?:tester|scan tool|scanner) (?:is |was )?(?P<silent>off|not connected|silent|unplugged|disconnected|out)\b"
    r"|\b(?:tester|scan tool|scanner) (?:is |was )?(?P<talking>asking|talking|connected|on|in)\b"
    r"|\b(?P<nobody>nobody talking)\b",
    re.IGNORECASE,
)


def tester_said(message: Written, start: int, end: int) -> str | None:
    """Return whether a stretch of the message says that a tester was talking or silent."""
    found = _TESTER.search(message.text, start, end)
    return None if not found else "talking" if found["talking"] else "silent"
