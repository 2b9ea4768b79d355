"""The words of the stories: what is seen, when it is seen, what has no bearing, how people shorten things.

None of these names a cause. Hints go with mechanisms as workshops tell it (common practice, no source).
"""

from __future__ import annotations

from typing import Final

BUS_GONE: Final = (
    "won't start, every lamp lit",
    "dash lit up like a fairground",
    "died at the lights, towed in",
    "no comms with anything on that side",
    "tester finds hardly anybody",
    "all warnings at once and limp home",
)
DISTURBED: Final = (
    "warnings one after the other, gone after a restart",
    "a different lamp every day",
    "messages in the dash that come singly",
    "several lamps flicker, then all is well",
)
NOBODY_ANSWERS: Final = (
    "tester gets no answer at the socket",
    "roadside man could not read anything",
    "scan tool says no vehicle",
    "emissions test refused, can't talk to it",
)
NOTHING_SEEN: Final = (
    "second opinion wanted, another garage wants to fit parts",
    "nothing the customer can feel, found while doing a service",
    "goes flat over a weekend",
    "needs a jump on Monday mornings",
)
REFUSED: Final = (
    "message for {of} since last month",
    "{of} works on and off, but lamp is lit",
    "{of} not happy, everything answers though",
)
SILENT_WORDS: Final = (
    "no comms with {of}",
    "{of} does not answer the tester",
    "can't get into {of}",
    "{of} gone",
)
AT_TIMES: Final = ("now and then", "comes and goes", "every few days", "twice a week or so", "on and off")

WHEN: Final = {
    "water": (
        "after heavy rain",
        "always after the car wash",
        "since the wet weekend",
        "carpet damp on the passenger side",
        "in the rain only at first",
        "since the windscreen was changed and it drips in",
    ),
    "chafing": (
        "over speed bumps",
        "on rough roads",
        "on full lock when parking",
        "when the door is swung",
        "on gravel, never on the motorway",
    ),
    "heat": (
        "after half an hour's driving",
        "on hot days in traffic",
        "cold it is fine",
        "uphill with a load, then it cools and is back",
    ),
    "rodent": (
        "stood in a barn all winter",
        "smells of mice",
        "parked beside a field, nest on the engine cover",
        "since it stood for two months",
    ),
    "collision": (
        "since the front was repaired after a bump",
        "after a parking knock",
        "since a deer last autumn",
        "bought repaired at an auction",
    ),
    "earlier repair": (
        "since the windscreen was replaced",
        "since a radio was fitted",
        "after the clutch job elsewhere",
        "since another garage had the dash out",
        "ever since the used part went in",
        "since the tow bar went on",
    ),
    "age": (
        "has been getting worse for months",
        "old car, done a lot of miles",
        "first thing on cold mornings",
        "on and off for a year",
    ),
}
"""By mechanism: when it is seen, in somebody's words."""

NO_BEARING: Final = (
    "tyres are new",
    "customer waits in reception",
    "serviced in spring",
    "his daughter drives it mostly",
    "wants it back by Friday",
    "two previous owners",
    "left rear window has always been slow",
    "key fob cover is cracked",
    "no other complaints",
    "used for towing a horse box",
    "wiper blades squeak too",
    "bought three weeks ago",
)
"""Details that have nothing to do with it."""

OPENINGS: Final = (
    "{seen}",
    "{seen}, {when}",
    "{when}: {seen}",
    "Customer says {seen}, {when}",
    "Customer reports: {seen}",
    "{seen}. {when}",
    "Came in on a truck, {seen}",
    "{seen} {often}, {when}",
    "{seen} {often}",
    "Owner complains of {seen} {when}",
)

CONDITIONS: Final = {
    "water": ("wet", "humid", "wet"),
    "chafing": ("rough road", "vibration", "steering turned", "door moved"),
    "heat": ("hot",),
    "rodent": ("after standing",),
    "collision": ("after a collision",),
    "earlier repair": ("after other work", "after an accessory was fitted", "after programming"),
    "age": ("cold", "vibration", "intermittent"),
}
"""By mechanism: the record's fixed words for when the fault shows."""

CONDITIONS_OF_FAULT: Final = {
    "low_system_voltage": ("low battery", "while starting", "after a battery change or jump start"),
    "aftermarket_device": ("after an accessory was fitted",),
    "configuration": ("after programming", "after other work"),
}
ANY_CONDITION: Final = ("always", "intermittent", "cold", "hot", "after standing", "vibration", "wet")

SHORTENED: Final = {
    "customer": "cust",
    "Customer": "Cust",
    "says": "sts",
    "reports": "rpts",
    "intermittent": "intermitt",
    "engine": "eng",
    "transmission": "trans",
    "warning": "warn",
    "warnings": "warns",
    "with": "w/",
    "and": "&",
    "passenger": "pass",
    "steering": "strg",
    "windscreen": "w/screen",
    "repaired": "rep'd",
    "replaced": "repl",
    "vehicle": "veh",
    "without": "w/o",
    "speedometer": "speedo",
    "lamp": "lp",
    "after": "aft",
    "morning": "a.m.",
    "mornings": "a.m.",
}
"""How a hasty author shortens words."""

DROPPED: Final = frozenset({"the", "a", "an", "it", "is", "was", "has", "been", "that", "then", "his"})
"""Words that a telegram leaves out."""
