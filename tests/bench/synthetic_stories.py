"""What is told of a vehicle before anybody knows the cause: concern, symptoms, lamps, conditions.

A stuck job has no cause, so no story names one: stories say what was seen and when. Judged: a hint that goes with
the mechanism in 45 % of the stories, one that misleads in 7 %, a detail without bearing in 35 %; a lamp is noted in
75 % of the cases and each of them with 80 %; a condition that goes with the mechanism in 45 %, any other one in 20
%.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Any, Final

from synthetic_faults import Spot
from synthetic_local import circuit_of
from synthetic_normal import TOLD
from synthetic_people import Author
from synthetic_phrases import (
    ANY_CONDITION,
    AT_TIMES,
    BUS_GONE,
    CONDITIONS,
    CONDITIONS_OF_FAULT,
    DISTURBED,
    DROPPED,
    NO_BEARING,
    NOBODY_ANSWERS,
    NOTHING_SEEN,
    OPENINGS,
    REFUSED,
    SHORTENED,
    SILENT_WORDS,
    WHEN,
)
from synthetic_silence import AT_TIMES as ANSWERS_AT_TIMES
from synthetic_silence import NO, YES, Silence
from synthetic_topology import Topology

HINT_SHARE, MISLEADING_SHARE, NO_BEARING_SHARE = 0.45, 0.07, 0.35
LAMPS_SHARE, EACH_LAMP_SHARE, ANY_LAMP_SHARE = 0.75, 0.8, 0.05
CONDITION_SHARE, ANY_CONDITION_SHARE = 0.45, 0.2
WHOLE_BUS: Final = 4
"""From so many silent modules on, people speak of the whole."""


@dataclass(frozen=True)
class Told:
    """What a story is made from."""

    plan: Topology
    spot: Spot
    heard: Silence
    author: Author
    named: dict[str, str]
    chance: Random
    second: Spot | None = None


def story_of(told: Told) -> dict[str, Any]:
    """Return concern and symptoms as a record's keys; symptoms may be left out."""
    chance = told.chance
    seen = _seen(told)
    concern = chance.choice(OPENINGS).format(
        seen=seen[0], when=_when(told), often=chance.choice(AT_TIMES) if _at_times(told) else "all the time"
    )
    if chance.random() < NO_BEARING_SHARE:
        concern = f"{concern}. {_capital(chance.choice(NO_BEARING))}"
    symptoms = [in_style(text, told.author, chance) for text in seen[1 : 1 + chance.choice((0, 1, 1, 2))]]
    return {"concern": in_style(_capital(concern), told.author, chance)} | (
        {"symptoms": symptoms} if symptoms else {}
    )


def _at_times(told: Told) -> bool:
    return told.heard.disturbed or ANSWERS_AT_TIMES in told.heard.answers.values()


def _seen(told: Told) -> list[str]:
    """Return what is seen, in an order of chance: what fails, who does not answer, how the whole behaves."""
    chance, answers = told.chance, told.heard.answers
    affected = list(told.heard.affected)
    silent = [name for name in affected if answers[name] != YES]
    if told.spot.misread:
        return [chance.choice(TOLD[told.spot.misread]), *chance.sample(NOTHING_SEEN, 2)]
    if not affected:
        return chance.sample(NOTHING_SEEN, 2)
    if set(answers.values()) == {NO}:
        return [*chance.sample(NOBODY_ANSWERS, 2), chance.choice(NOTHING_SEEN)]
    chosen = chance.sample(affected, min(3, len(affected)))
    circuit = circuit_of(told.spot)
    seen = [chance.choice(told.plan.kind(name).symptoms) for name in chosen]
    seen = [chance.choice(circuit.symptoms)] if circuit else seen
    words = SILENT_WORDS if silent else REFUSED
    seen.append(chance.choice(words).format(of=told.named[chosen[0]]))
    if len(silent) >= WHOLE_BUS:
        seen.append(chance.choice(BUS_GONE))
    elif told.heard.disturbed:
        seen.append(chance.choice(DISTURBED))
    beside = circuit_of(told.second) if told.second else None
    seen += [chance.choice(beside.symptoms)] if beside else []
    chance.shuffle(seen)
    return seen


def _when(told: Told) -> str:
    draw, mechanism = told.chance.random(), told.spot.mechanism
    if mechanism and draw < HINT_SHARE:
        return told.chance.choice(WHEN[mechanism])
    if draw > 1 - MISLEADING_SHARE:
        return told.chance.choice(WHEN[told.chance.choice(sorted(WHEN))])
    return told.chance.choice(
        ("since yesterday", "since last week", "for a month now", "does not know since when")
    )


def lamps_of(told: Told) -> list[str]:
    """Return the lamps noted: of modules in trouble, with some left out and a stray one."""
    chance = told.chance
    # Cut off at the DLC's stub, modules still talk to one another.
    if chance.random() >= LAMPS_SHARE or told.spot.way.reach == "stub":
        return []
    circuit = circuit_of(told.spot)
    lit = [lamp for name in told.heard.affected for lamp in told.plan.kind(name).lamps]
    lit = list(circuit.lamps) if circuit else lit
    beside = circuit_of(told.second) if told.second else None
    lit += beside.lamps if beside else ()
    noted = [lamp for lamp in dict.fromkeys(lit) if chance.random() < EACH_LAMP_SHARE]
    stray = chance.random() < ANY_LAMP_SHARE
    return noted if not stray or "general warning" in noted else [*noted, "general warning"]


def conditions_of(told: Told) -> list[str]:
    """Return when the fault shows, in the record's words, as far as somebody noted it."""
    chance, spot = told.chance, told.spot
    noted = []
    fitting = CONDITIONS_OF_FAULT.get(spot.fault) or CONDITIONS.get(spot.mechanism or "", ())
    if fitting and chance.random() < CONDITION_SHARE:
        noted.append(chance.choice(fitting))
    elif chance.random() < ANY_CONDITION_SHARE:
        noted.append(chance.choice(ANY_CONDITION))
    if chance.random() < 0.4:
        noted.append("intermittent" if _at_times(told) else "always")
    return list(dict.fromkeys(noted))


# --- styles -------------------------------------------------------------------------------------------------------


def in_style(text: str, author: Author, chance: Random) -> str:
    """Return a text as its author would type it."""
    written = _STYLES[author.style](text)
    return " ".join(_mistyped(word, author.typos, chance) for word in written.split())


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _long(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def _telegraph(text: str) -> str:
    return " ".join(word for word in text.split() if word.casefold() not in DROPPED)


def _lower(text: str) -> str:
    return text.lower().replace(". ", ", ")


def _clipped(text: str) -> str:
    return " ".join(_shortened(word) for word in _telegraph(text).split())


def _shortened(word: str) -> str:
    bare = word.rstrip(".,:;")
    return SHORTENED.get(bare, bare) + word[len(bare) :]


_STYLES: Final = {
    "plain": lambda text: text,
    "long": _long,
    "telegraph": _telegraph,
    "lower": _lower,
    "clipped": _clipped,
}


def _mistyped(word: str, share: float, chance: Random) -> str:
    """Swap or drop a letter now and then."""
    if len(word) < 5 or not word.isalpha() or chance.random() >= share * 3:
        return word
    place = chance.randrange(1, len(word) - 2)
    if chance.random() < 0.5:
        return word[:place] + word[place + 1] + word[place] + word[place + 2 :]
    return word[:place] + word[place + 1 :]
