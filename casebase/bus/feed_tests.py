"""Tests of the feed of a module: supply and ground at its plug, a lamp on them, the drop along a wire.

All of it is common practice, no source. What can hurt somebody is left to the maker's procedure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from casebase.bus.feed import is_bad, worst_state
from casebase.bus.feed_draws import FeedState
from casebase.bus.feed_evidence import DLC_NAME
from casebase.bus.next_test import IGNITION_ON, UNPLUG_CAUTION
from casebase.bus.stuck import PlainTest, Stuck
from casebase.record.cautions import HIGH_VOLTAGE, RESTRAINTS, cautions_about, may_be_unplugged
from casebase.record.vocabulary import Medium

LAMP_CAUTION: Final = (
    "Load supply and ground pins of the unplugged plug only, fused as the circuit is: never a signal pin, a squib or a"
    " high-voltage circuit."
)
MOST_SILENT: Final = 2


def dangers_of(module: str) -> tuple[str, ...]:
    """Return what can hurt somebody who reads at a module; that of a road test belongs to the job, not to a reading."""
    return tuple(words for words in cautions_about([module]) if words in {HIGH_VOLTAGE, RESTRAINTS})


def along_a_bad_feed(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield where to look for what a bad feed loses."""
    for feed in stuck.feeds:
        if is_bad(feed):
            yield _LOOK_ALONG[worst_state(feed)](feed.module)


def _missing(module: str) -> PlainTest:
    return PlainTest(
        f"fuse of {module}: volts on both sides of it, then along its supply wire to the plug",
        8.0,
        IGNITION_ON,
        (
            "volts before the fuse only: it is blown, or has no contact; find what blew it before another is fitted",
            "none before it: look at what feeds it, such as a relay",
            "volts on both sides: the wire to the plug is open",
        ),
        dangers_of(module),
    )


def _weak(module: str) -> PlainTest:
    return PlainTest(
        f"drop test along the supply of {module} under load: from battery + to its supply pin, then joint by joint",
        10.0,
        f"{IGNITION_ON}, the module drawing current or a lamp in its place",
        (
            "over half a volt in all: the joint that loses most is the fault",
            "next to nothing, and the supply is weak at the battery too: test battery and charging first",
        ),
        (*dangers_of(module), LAMP_CAUTION),
    )


def _poor_ground(module: str) -> PlainTest:
    return PlainTest(
        f"drop test along the ground of {module} under load: from its ground pin to battery -, then joint by joint",
        10.0,
        f"{IGNITION_ON}, the module drawing current or a lamp in its place",
        (
            "over 0.2 V: the joint that loses most is the fault; the ground point first",
            "next to nothing: the ground is good; read the supply again",
        ),
        (*dangers_of(module), LAMP_CAUTION),
    )


_LOOK_ALONG: Final[dict[FeedState, Callable[[str], PlainTest]]] = {
    FeedState.SUPPLY_MISSING: _missing,
    FeedState.SUPPLY_WEAK: _weak,
    FeedState.GROUND_POOR: _poor_ground,
}


def feeds_not_read(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield supply and ground of the DLC, where nothing is measured, and of silent modules, where wires look sound.

    Pins by SAE J1962, on heavy vehicles by SAE J1939-13 (from memory).
    """
    heavy = Medium.J1939 in stuck.media
    if not stuck.read and not stuck.feed_of(DLC_NAME):
        yield PlainTest(
            f"supply and ground of the DLC: volts of {'pin B to pin A' if heavy else 'pin 16 to pin 4, and to pin 5'}",
            3.0,
            IGNITION_ON,
            (
                "battery volts: the tester has its supply; go on",
                "less: fuse or ground of the DLC; no tester can be trusted there",
            ),
        )
    if not stuck.read or stuck.looks_sound:
        unread = [module for module in stuck.silent if not stuck.feed_of(module)]
        yield from map(_feed_of_silent, unread[:MOST_SILENT])


def _feed_of_silent(module: str) -> PlainTest:
    outcomes = (
        "battery volts that stay under load: the feed is sound; its bus lines come next",
        "near 0 V: fuse or wire; find what blew the fuse",
        "falls, or the ground pin rises over 0.2 V: a poor joint",
    )
    dangers = dangers_of(module)
    if may_be_unplugged(module):
        return PlainTest(
            f"supply and ground at the plug of {module}, a lamp across them",
            10.0,
            IGNITION_ON,
            outcomes,
            (*dangers, UNPLUG_CAUTION, LAMP_CAUTION),
        )
    return PlainTest(
        f"supply and ground of {module}, by the maker's procedure only: begin with its fuse, nothing unplugged",
        6.0,
        "as the maker states",
        outcomes[:2],
        dangers,
    )


def load_on_wires(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield a lamp where a feed was read as sound without current."""
    for feed in stuck.feeds:
        waits = feed.module != DLC_NAME and feed.state is FeedState.SOUND and not feed.is_loaded
        if waits and may_be_unplugged(feed.module):
            yield PlainTest(
                f"supply and ground of {feed.module} again, with a lamp of 21 W across its unplugged plug",
                6.0,
                IGNITION_ON,
                (
                    "bright, the volts hold: the feed is sound",
                    "dull, the volts fall: a poor joint in supply or ground; read each against the battery",
                ),
                (*dangers_of(feed.module), UNPLUG_CAUTION, LAMP_CAUTION),
            )
