"""What a message says beside what was measured: vehicle, lamps, when the fault shows."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from casebase.intake.plain_words.marks import Marks
from casebase.intake.plain_words.written import Span, Written, rule
from casebase.record.vocabulary import Condition, Lamp, Powertrain

Vehicles = Sequence[tuple[str, str]]
"""Makes and models that a library knows."""


@dataclass(frozen=True)
class Told:
    """Something that a message says: what it is in the record's own words, and the words of the message."""

    what: Any
    spans: tuple[Span, ...]


# --- lamps ------------------------------------------------------------------------------------------------------------

_LAMP_NAMES: Final = {
    "abs": Lamp.ABS, "esp": Lamp.STABILITY, "esc": Lamp.STABILITY, "stability": Lamp.STABILITY,
    "traction": Lamp.STABILITY,
    "engine": Lamp.ENGINE, "check engine": Lamp.ENGINE, "mil": Lamp.ENGINE, "cel": Lamp.ENGINE, "eml": Lamp.ENGINE,
    "airbag": Lamp.AIRBAG, "srs": Lamp.AIRBAG, "air bag": Lamp.AIRBAG, "brake": Lamp.BRAKE, "brakes": Lamp.BRAKE,
    "steering": Lamp.STEERING, "power steering": Lamp.STEERING, "eps": Lamp.STEERING, "tyre": Lamp.TYRE_PRESSURE,
    "tire": Lamp.TYRE_PRESSURE, "tpms": Lamp.TYRE_PRESSURE, "tyre pressure": Lamp.TYRE_PRESSURE,
    "tire pressure": Lamp.TYRE_PRESSURE, "battery": Lamp.CHARGING, "charge": Lamp.CHARGING, "charging": Lamp.CHARGING,
    "oil": Lamp.OIL_PRESSURE, "coolant": Lamp.COOLANT, "gearbox": Lamp.TRANSMISSION, "transmission": Lamp.TRANSMISSION,
    "immo": Lamp.IMMOBILIZER,
    "immobiliser": Lamp.IMMOBILIZER, "immobilizer": Lamp.IMMOBILIZER, "acc": Lamp.DISTANCE, "lane": Lamp.LANE,
    "handbrake": Lamp.PARKING_BRAKE, "parking brake": Lamp.PARKING_BRAKE, "epb": Lamp.PARKING_BRAKE,
    "hybrid": Lamp.HYBRID_SYSTEM,
    "glow": Lamp.PREHEAT, "glow plug": Lamp.PREHEAT, "suspension": Lamp.SUSPENSION, "4wd": Lamp.FOUR_WHEEL_DRIVE,
    "awd": Lamp.FOUR_WHEEL_DRIVE, "seat belt": Lamp.SEAT_BELT, "seatbelt": Lamp.SEAT_BELT, "retarder": Lamp.RETARDER,
    "vdc": Lamp.STABILITY, "vsc": Lamp.STABILITY, "dsc": Lamp.STABILITY, "skid": Lamp.STABILITY,
    "hand brake": Lamp.PARKING_BRAKE, "ebs": Lamp.BRAKE, "service engine": Lamp.ENGINE,
    "engine management": Lamp.ENGINE,
    "lane assist": Lamp.LANE, "lane keep": Lamp.LANE, "lane departure": Lamp.LANE, "adaptive cruise": Lamp.DISTANCE,
    "park assist": Lamp.PARKING_AID, "parking assist": Lamp.PARKING_AID, "4x4": Lamp.FOUR_WHEEL_DRIVE,
    "security": Lamp.SECURITY, "parking aid": Lamp.PARKING_AID, "dpf": Lamp.EXHAUST, "exhaust": Lamp.EXHAUST,
}  # fmt: skip
"""Everyday names of warning lamps (common practice, no source)."""

_LAMP_NAME: Final = "|".join(sorted(_LAMP_NAMES, key=len, reverse=True))
_LAMP_CALLED: Final = (
    rf"(?:{_LAMP_NAME})\b(?: (?:control|system|loss|failure|fault|monitor(?:ing)?)\b)?(?: off\b)?"
    r"(?: (?:warning )?indicator\b)?"
)
_BETWEEN_LAMPS: Final = r"(?:\s?,\s?(?:and )?|\s?/\s?|\s(?:and|&|\+)\s|\s)(?:the )?"
_LAMP_LIST: Final = rf"(?:{_LAMP_CALLED})(?:{_BETWEEN_LAMPS}(?:{_LAMP_CALLED})){{0,8}}"
_ONE_LAMP: Final = rule(rf"(?<!\w)(?:{_LAMP_NAME})(?!\w)", re.IGNORECASE)
_OF_LAMPS: Final = rule(r"lamp|light|\blit\b|illuminat|telltale|indicator|warning|check|says", re.IGNORECASE)
"""Without one of these a message says nothing of lamps."""


@cache
def _lamps() -> re.Pattern[str]:
    """Return what says that lamps are on; it takes as long to make as to read a message, and most speak of none."""
    return rule(
        rf"(?<!no )(?<!\w)(?P<before>{_LAMP_LIST})(?: (?:warning )?(?:lamps?|lights?|telltales?)\b"
        rf"|(?<=indicator)\b)(?! (?:off|out|ok"
        rf"|(?:is|are|was|went|has|have)(?: all| both| now)? (?:off|out|gone|away|cleared|fine|ok)|not"
        rf"|do(?:es)? ?n[o']t|(?:has |have )?(?:gone|goes|went|go) (?:out|off)"
        rf"|switch|bulb|relay|fuse|circuit|wir(?:e|ing)|socket|unit)\b)"
        rf"|\b(?:lamps?|lights?|warnings?)(?: (?:on|in|on the|in the) (?:dash|cluster"
        rf"|clocks?))?(?: on)?\s?[:=]\s?(?P<behind>{_LAMP_LIST})(?!\w)"
        rf"|(?<!no )(?<!\w)(?P<lit>{_LAMP_LIST}) (?:(?:is|are) )?(?:both |all )?(?:lit|illuminated)\b"
        rf"|(?<!no )(?<!\w)(?P<warned>{_LAMP_LIST}) warning(?= (?:is |stays |comes )?(?:on|lit|up|showing)\b)"
        rf"|\b(?:lamps?|lights?) for (?:the )?(?P<named>{_LAMP_LIST})(?!\w)"
        rf"|\b(?:check|says) (?P<check>{_LAMP_LIST})(?!\w)(?! (?:control|module|says|fuse|plug|has))",
        re.IGNORECASE,
    )


def lamps_in(message: Written) -> Iterator[Told]:
    """Yield each lamp that the message says is on."""
    if not _OF_LAMPS.search(message.text):
        return
    for match in _lamps().finditer(message.text):
        listed = next(text for text in match.groups() if text)
        for name in _ONE_LAMP.findall(listed):
            yield Told(_LAMP_NAMES[name.lower()], (match.span(),))


# --- when the fault shows ---------------------------------------------------------------------------------------------

_CONDITIONS: Final = (
    (Condition.INTERMITTENT, r"intermittent(?:ly)?(?! in\b)|at random|randomly|now and then|sporadic(?:ally)?"
                             r"|on and off|comes and goes|sometimes"),
    (Condition.WET, r"(?:after|in|with|when it|only on|since) (?:the |a )?(?:rain(?:s|ing)?|wet(?: days?"
                    r"| weather)?|washing|car wash|snow|it rained)|in the wet|when wet"
                    r"|flood(?: water| damage|ed (?:car|cab|footwell|vehicle|street|road))\b"
                    r"|(?<!no )water in (?:the )?(?:footwell|boot|plug|connector"
                    r"|module|loom|cab|sill)"
                    r"|got (?:soaked|wet)"),
    (Condition.HOT, r"(?:when|if|in|while|gets|is|cold and [0-9.]+ ?(?:ohms?)?) (?:it is |it's "
                    r"|engine is )?(?:hot|warm)\b|\bhot it\b|after warm[- ]up|once (?:hot|warm)"),
    (Condition.COLD, r"(?:when|if|in|while) (?:it is |it's |the )?cold\b|in the morning at -|at -[0-9]+"
                     r"|below freezing|cold start"),
    (Condition.ROUGH_ROAD, r"(?:rough|bumpy) roads?|over bumps|speed bumps?|on bumps|potholes?|cobbles"),
    (Condition.VIBRATION, r"(?:when|while|if|under|with|from)[ \w]{0,24} vibrat(?:es?|ing|ion)"),
    (Condition.STEERING_TURNED, r"(?:when|while|if) (?:i )?(?:steering|turning the wheel"
                                r"|turn the (?:steering )?wheel)|at full lock"),
    (Condition.AFTER_STANDING, r"after (?:standing|sitting|a night|the weekend)|parked overnight"),
    (Condition.AFTER_OTHER_WORK, r"(?:after|since)(?: the| a| an)? (?:bumper|windscreen|body|wheel bearing"
                                 r"|clutch|gearbox|engine|seat|door|brake|other|bodyshop)[ \w]{0,14}(?:job|work"
                                 r"|done|repair|replacement|change|swap)"
                                 r"|(?:worked|(?:was |been )?(?:fine|ok|okay|good)) (?:until|till|before) (?:the "
                                 r"|we |they )?"
                                 r"[\w ]{3,24} (?:was|were|got|been) (?:done|changed|replaced|fitted|repaired"
                                 r"|renewed)|(?:after|since)[ \w]{0,24} (?:at "
                                 r"|by )?another (?:garage|shop|workshop)|(?:windscreen|bumper|clutch|gearbox"
                                 r"|tracking|wheel alignment|bodywork|dash)(?: was| has been| were)? (?:changed"
                                 r"|replaced|done"
                                 r"|renewed|fitted)(?= (?:[0-9]|a |last|yesterday|recently|the other|two))"),
    (Condition.AFTER_COLLISION, r"(?:after|since)(?: the| a| an)? (?:crash|accident|collision|bump|shunt"
                                r"|front hit|rear hit)\b(?: repair)?"),
    (Condition.AFTER_BATTERY, r"(?:was|been|got) jump[ -]?start(?:ed)?|(?:after|since)(?: the"
                              r"| a)? (?:new battery|battery (?:change|swap|replacement)"
                              r"|jump[ -]?start(?:ed|ing)?|flat battery)|battery (?:was|got|has been|had been)"
                              r" (?:just )?(?:swapped|changed|replaced|renewed)\b"
                              r"|(?:started|start) (?:it )?with"
                              r" (?:jump )?(?:leads|cables)|(?:replaced|changed"
                              r"|new) (?:the )?battery (?:yesterday|last|recently)"),
    (Condition.AFTER_ACCESSORY, r"(?:after|since)(?: the| a| an)? (?:new )?[\w ]{0,20}(?:was |were )?(?:fitted"
                                r"|installed)"),
    (Condition.AFTER_PROGRAMMING, r"(?:after|since)(?: the| a| an)? (?:programming|software update|update"
                                  r"|reflash|coding)"),
    (Condition.CHARGING, r"(?:while|when|during) charging"),
    (Condition.TOWING, r"with (?:a |the )?(?:trailer|caravan)(?: on| connected| plugged in)?\b(?! (?:unplugged|off))"),
    (Condition.AFTER_START, r"(?:only |fault |fails |dies )(?:while|when|during) (?:starting|cranking)"),
)  # fmt: skip
_CONDITION_PATTERNS: Final = tuple(
    (condition, rule(rf"\b(?:{pattern})", re.IGNORECASE)) for condition, pattern in _CONDITIONS
)


def conditions_in(message: Written) -> Iterator[Told]:
    """Yield each condition under which the message says the fault shows, once."""
    for condition, pattern in _CONDITION_PATTERNS:
        match = pattern.search(message.text)
        if match:
            yield Told(condition, (match.span(),))


# --- the vehicle ------------------------------------------------------------------------------------------------------

_POWERTRAIN: Final = rule(
    r"\b(?P<plug>phev|plug[ -]in hybrid)\b|\b(?P<hybrid>hybrid|hev)\b(?! (?:lamp|light))|\b(?P<electric>bev"
    r"|battery electric|(?-i:EV)|electric car|full electric)\b"
    r"|\b(?P<diesel>diesel|tdi|hdi)\b(?! pump)|\b(?P<petrol>petrol|gasoline)\b(?! pump)",
    re.IGNORECASE,
)
_POWERTRAIN_OF: Final = {
    "plug": Powertrain.PLUG_IN_HYBRID,
    "hybrid": Powertrain.HYBRID,
    "electric": Powertrain.BATTERY_ELECTRIC,
    "diesel": Powertrain.DIESEL,
    "petrol": Powertrain.PETROL,
}
_YEAR: Final = rule(
    r"(?<![\w./-])(?P<year>19[89][0-9]|20[0-3][0-9])(?![\w]|[./-][0-9]| ?(?:rpm|km|miles|ohms?|kg|fmi)\b)"
    r"|'(?P<short>[0-3][0-9])\b(?! ?V)",
    re.IGNORECASE,
)
_YEAR_WORD: Final = rule(
    r"\b(?:year(?: is)?|from|model year|my|built(?: in)?|of)[ :]{1,2}$|\bmodel\b", re.IGNORECASE
)
_NOT_A_YEAR: Final = rule(r"\b(?:spn|order|invoice|part|no|vin|code|since|in)[ .:#]{1,2}$", re.IGNORECASE)


def vehicle_in(marks: Marks, vehicles: Vehicles) -> Iterator[tuple[str, Told]]:
    """Yield (key of the vehicle, what the message says of it)."""
    message = marks.message
    named = list(_named_vehicle(message, vehicles))
    yield from named
    sentences = {_sentence(marks, told.spans[0][0]) for _, told in named}
    for match in _POWERTRAIN.finditer(message.text):
        sentences.add(_sentence(marks, match.start()))
        yield "powertrain", Told(str(_POWERTRAIN_OF[str(match.lastgroup)]), (match.span(),))
        break
    year = next((one for one in _YEAR.finditer(message.text) if _is_year(marks, one, sentences)), None)
    if year:
        yield "model_year", Told(int(year["year"] or f"20{year['short']}"), (year.span(),))


def _sentence(marks: Marks, place: int) -> Span:
    return marks.clause_at(place).sentence if marks.clauses else (0, 0)


def _is_year(marks: Marks, match: re.Match[str], sentences: set[Span]) -> bool:
    """Return whether a number is the year of the vehicle: said to be, or beside the vehicle's name."""
    text = marks.message.text
    before, behind = text[max(0, match.start() - 14) : match.start()], text[match.end() : match.end() + 8]
    if _NOT_A_YEAR.search(before):
        return False
    told = _YEAR_WORD.search(before) or _YEAR_WORD.match(behind.strip())
    alone = match.start() and text[match.start() - 1] == "\n" and behind[:1] == "\n"
    return bool(told or (alone and sentences)) or _sentence(marks, match.start()) in sentences


def _named_vehicle(message: Written, vehicles: Vehicles) -> Iterator[tuple[str, Told]]:
    """Yield the make and the model that the message names; a model's make where only one make has it."""
    lowered = message.text.lower()
    models = sorted({model for _, model in vehicles}, key=len, reverse=True)
    found = next(((model, span) for model in models if (span := _word_in(lowered, model))), None)
    makes = [make for make, model in vehicles if found and model == found[0]]
    said = next(((make, span) for make, _ in vehicles if (span := _word_in(lowered, make))), None)
    if said:
        yield "make", Told(said[0], (said[1],))
    elif found and len(set(makes)) == 1:
        yield "make", Told(makes[0], (found[1],))
    if found and (not said or said[0] in makes):
        yield "model", Told(found[0], (found[1],))


def _word_in(text: str, name: str) -> Span | None:
    found = re.search(rf"(?<!\w){re.escape(name.lower())}(?!\w)", text) if len(name) > 1 else None
    return found.span() if found else None
