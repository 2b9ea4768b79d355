"""Tests of supply and ground on a layout: at the plug of a module, behind a fuse or relay, from a ground point."""

from __future__ import annotations

from typing import Final

import numpy as np

from casebase.bus.layout.belief import Belief, Candidate
from casebase.bus.layout.evidence import FEED_STATES, feed_told
from casebase.bus.layout.ways import FEED_MISSING, FEED_WEAK, GROUND_POOR
from casebase.bus.layout.whereabouts import ElementKind
from casebase.bus.layout.wiring import Element, Wiring
from casebase.bus.next_test import IGNITION_ON, UNPLUG_CAUTION
from casebase.record.cautions import cautions_about

MODULE_MINUTES, FUSE_MINUTES, STUD_MINUTES, LEADS_MINUTES = 8.0, 4.0, 8.0, 4.0
"""To get at a module's connector, at a fuse or relay, at a ground point; to read once there."""

LOAD_CAUTION: Final = "Load the supply with a lamp, never a control module's output; fuse the lead."


def cautions_of(wiring: Wiring, names: tuple[str, ...], *own: str) -> tuple[str, ...]:
    """Return a test's own cautions and those of what it touches, each once."""
    return tuple(dict.fromkeys((*own, *cautions_about(names))))


def at_a_plug(belief: Belief, module: int, name: str) -> Candidate:
    """Return supply and ground at the plug of a module, under load."""
    states = [FEED_STATES.get(way.state, ()) if module in way.dead else () for way in belief.rows.ways]
    words = [str(each[0][0]) if each else "supply and ground sound" for each in states]
    minutes = belief.rows.wiring.minutes.get(name, MODULE_MINUTES)
    here = np.array([words[way] for way in belief.ways])
    return Candidate(
        name,
        f"unplug {name}, then supply and ground at its connector, under load",
        minutes + LEADS_MINUTES + 3.0,
        IGNITION_ON,
        cautions_of(belief.rows.wiring, (name,), UNPLUG_CAUTION, LOAD_CAUTION),
        (feed_told(name),),
        lambda _: here,
    )


_SHOWN_AT: Final = {
    FEED_MISSING: "no volts behind it",
    FEED_WEAK: "well under battery volts behind it",
    GROUND_POOR: "a drop of more than half a volt",
}


def at_a_feed(belief: Belief, number: int, element: Element) -> Candidate:
    """Return volts behind a fuse or relay, or the drop from a ground point, while current flows there."""
    wiring, name = belief.rows.wiring, element.name
    is_feed = element.kind is ElementKind.FEED
    sound = "battery volts behind it" if is_feed else "hardly any drop"
    words = [_SHOWN_AT.get(way.state, sound) if way.element == number else sound for way in belief.rows.ways]
    here = np.array([words[way] for way in belief.ways])
    what = (
        f"volts behind {name} to battery -, with what it feeds switched on"
        if is_feed
        else f"volts from {name} to battery -, with what is grounded there switched on"
    )
    return Candidate(
        name,
        what,
        wiring.minutes.get(name, FUSE_MINUTES if is_feed else STUD_MINUTES) + LEADS_MINUTES,
        IGNITION_ON,
        cautions_of(wiring, (name, *element.serves)),
        (feed_told(name),),
        lambda _: here,
    )
