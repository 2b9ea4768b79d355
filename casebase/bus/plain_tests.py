"""Tests that no simulated bus rates: watching while a tester asks, moving the harness, parting the network.

What a technician does next where nothing is measured yet, where the wires look sound, or where the state is settled.
All of it is common practice, no source. What can hurt somebody is left to the maker's procedure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from casebase.bus.diagnose import Diagnosis
from casebase.bus.feed import is_bad, worst_state
from casebase.bus.feed_draws import FeedState
from casebase.bus.feed_evidence import DLC_NAME
from casebase.bus.measured import side_of
from casebase.bus.next_test import BATTERY_OFF, IGNITION_ON, OHMS_CAUTION, STATE_SETTLED_FROM, UNPLUG_CAUTION
from casebase.bus.remarks import OPEN_STATES
from casebase.bus.stuck import NOBODY_AT_FAULT, SOUND_FROM, PlainTest, Stuck
from casebase.record.cautions import HIGH_VOLTAGE, RESTRAINTS, cautions_about, may_be_unplugged
from casebase.record.reading import Reading
from casebase.record.vocabulary import LINES_OF_MEDIUM, BusState, Into, Medium, Quantity, Tester

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
    if not stuck.read and not stuck.alone and not stuck.feed_of(DLC_NAME):
        yield PlainTest(
            f"supply and ground of the DLC: volts of {'pin B to pin A' if heavy else 'pin 16 to pin 4, and to pin 5'}",
            3.0,
            IGNITION_ON,
            (
                "battery volts: the tester has its supply; go on",
                "less: fuse or ground of the DLC; no tester can be trusted there",
            ),
        )
    if not stuck.read or stuck.looks_sound or stuck.is_about_one_module:
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


def lines_at_the_silent(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield the bus lines at the plug of the one silent module, once its feed was found sound."""
    if not stuck.is_about_one_module:
        return
    for module in stuck.silent[:MOST_SILENT]:
        feed = stuck.feed_of(module)
        if feed is not None and not is_bad(feed) and module not in stuck.served:
            yield PlainTest(
                f"the bus lines at the plug of {module}, probed from behind, against the same lines at the DLC",
                8.0,
                IGNITION_ON if may_be_unplugged(module) else "as the maker states",
                (
                    "both read alike: supply, ground and bus are there; its terminals next, then the module",
                    "one differs: that wire is open between here and there",
                    "both float or lie near 0 V: the branch is parted, at its plug or splice",
                ),
                dangers_of(module),
            )


def served_and_silent(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield what is left at the plug of a module that is silent although supply, ground and bus are there."""
    if not stuck.looks_sound:
        return
    for module in stuck.served[:MOST_SILENT]:
        at_plug = (
            f"terminals of {module} at its plug: pushed back, spread, green; each must grip a matching pin"
        )
        feeds = "then every supply, ground and wake-up pin of the wiring diagram, not the first only"
        yield PlainTest(
            f"{at_plug}; {feeds}",
            12.0,
            "as the maker states" if not may_be_unplugged(module) else BATTERY_OFF,
            (
                "a terminal is loose, or one pin is without: mend that first",
                "all are there: the module itself, or its coding; the maker's procedure before another is fitted",
            ),
            (*dangers_of(module), UNPLUG_CAUTION),
        )


PULLED_UP: Final = (Medium.LIN, Medium.K_LINE)
"""Single lines that rest near battery volts (ISO 17987-4, ISO 14230-1)."""

PINS_OF_PAIR: Final = {Medium.HIGH_SPEED_CAN: "pins 6 and 14", Medium.J1939: "pins C and D"}

MOST: Final = 3
NO_TEST_LEFT: Final = (
    "No further reading would tell more: take the oddest one again, or repeat them while the fault shows."
)


def plain_tests(stuck: Stuck, most: int = MOST) -> list[PlainTest]:
    """Return at most `most` tests, those first that a technician does first."""
    found = [test for proposes in _IN_TURN for test in proposes(stuck)]
    return found[:most]


def first_tests(stuck: Stuck) -> list[PlainTest]:
    """Return those that come before any rated test: along a feed that is bad, or where nothing is known of a bus.

    Where nobody sends the lines are watched while a tester asks, before anything else.
    """
    if any(map(is_bad, stuck.feeds)):
        return list(along_a_bad_feed(stuck))
    if not stuck.read:
        return plain_tests(stuck)
    about_one = [*feeds_not_read(stuck), *lines_at_the_silent(stuck)]
    if stuck.is_about_one_module and about_one:
        return about_one
    quiet = any(_probability(diagnosis, BusState.BUS_QUIET) >= SOUND_FROM for diagnosis in stuck.read)
    return list(_watch_while_asked(stuck)) if quiet else list(served_and_silent(stuck))


def _probability(diagnosis: Diagnosis, state: BusState) -> float:
    """Return the probability of a state; 0 on a medium that does not know it."""
    return dict(diagnosis.ranked()).get(state, 0.0)


def _pair_not_read(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield ohms across the pair, by SAE J1962 on pins 6 and 14, by J1939-13 on C and D, where nothing is known."""
    media = stuck.media or (Medium.HIGH_SPEED_CAN,)
    pins = next((PINS_OF_PAIR[medium] for medium in media if medium in PINS_OF_PAIR), None)
    if not stuck.read and pins:
        yield PlainTest(
            f"ohms between CAN high and CAN low at the diagnostic connector, {pins}",
            6.0,
            BATTERY_OFF,
            (
                "about 60 ohm: both terminators are there, and nothing shorts the lines together",
                "about 120 ohm: one terminator, or an open line",
                "near 0 ohm: the lines are shorted together",
                "OL: no bus on these pins, or both terminators away",
            ),
            (OHMS_CAUTION,),
        )


def _line_not_read(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield volts of a single line where nothing is known of it."""
    if not stuck.read and stuck.media and all(medium in PULLED_UP for medium in stuck.media):
        yield PlainTest(
            "volts of the line to ground at any connector of this network",
            3.0,
            IGNITION_ON,
            (
                "near battery volts, a little lower with traffic: the line is pulled up and free",
                "near 0 V: shorted to ground, or its pull-up is missing",
                "battery volts that never move: no traffic, or a short to battery",
            ),
        )


def _watch_while_asked(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield a look at the lines while a tester asks, where they look sound or quiet and nobody watched."""
    asked = any(reading.tester is Tester.TALKING and _is_of_lines(reading) for reading in stuck.readings)
    pairs = [each for each in stuck.read if len(LINES_OF_MEDIUM[each.bank.model.medium]) > 1]
    if not asked and pairs and stuck.looks_sound:
        yield PlainTest(
            "watch both lines, with a scope or a meter on MIN/MAX, while a tester asks the silent module",
            8.0,
            IGNITION_ON,
            (
                "frames appear, CAN high rises, CAN low falls: the bus works here; look at the module that is silent",
                "both stay at rest: nothing gets through; the gateway, its feed, or the branch to the DLC",
                "only the tester's own frames, never acknowledged: no other module on this branch",
            ),
        )


def _is_of_lines(reading: Reading) -> bool:
    return reading.quantity is Quantity.WAVEFORM or side_of(reading.line) is not None


def _move_the_harness(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield moving harness and plugs where the fault comes and goes."""
    if stuck.comes_and_goes or any(reading.is_intermittent for reading in stuck.readings):
        yield PlainTest(
            "move harness, plugs and splices piece by piece, the meter on MIN/MAX across what changes",
            15.0,
            "in the state in which it changes; ohms with the battery disconnected",
            (
                "it jumps while one piece is moved: the fault is there; open that piece and see it",
                "it never jumps: bring back the heat, wet or load in which it fails",
            ),
            ("Keep clear of moving and hot parts; nothing is moved by force.",),
        )


def _bare_module(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield ohms into the module that the fault goes with, where it may lie behind its pins."""
    hosts = {
        host[0]
        for diagnosis in stuck.read
        if not diagnosis.clashes and diagnosis.ranked()[0][0] not in OPEN_STATES and (host := diagnosis.host)
    }
    read = any(reading.into is Into.MODULE for reading in stuck.readings)
    for module in sorted(hosts) if not read else ():
        if may_be_unplugged(module):
            yield PlainTest(
                f"ohms between the bus pins of {module} itself, unplugged, into the module",
                8.0,
                BATTERY_OFF,
                (
                    "under 50 ohm: shorted inside",
                    "about 120 ohm: sound, and holds a terminator",
                    "some kohm or tens of kohm: sound; look at its plug and branch",
                    "OL: open inside",
                ),
                (*dangers_of(module), UNPLUG_CAUTION, OHMS_CAUTION),
            )


def _current_at_rest(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield the current at rest where somebody keeps the bus awake, or may do so while the vehicle stands."""
    awake = any(_probability(diagnosis, BusState.ONE_AWAKE_ALONE) >= SOUND_FROM for diagnosis in stuck.read)
    read = any(reading.quantity is Quantity.CURRENT for reading in stuck.readings)
    if (awake or stuck.drains) and not read:
        yield PlainTest(
            "current at rest in the battery's ground lead, everything closed and asleep, then fuse by fuse",
            40.0,
            "ignition off, the vehicle left alone until the networks sleep",
            (
                "some ten milliamperes: all modules are asleep",
                "more, and it falls when one fuse is pulled: what it feeds stays awake, or keeps others awake",
            ),
            ("Nothing is switched on or started with the meter in the lead: its fuse or the meter burns.",),
        )


def _part_the_network(stuck: Stuck) -> Iterator[PlainTest]:
    """Yield halving the network where the state is settled and its place is not."""
    settled = [
        diagnosis
        for diagnosis in stuck.read
        if not diagnosis.clashes
        and diagnosis.ranked()[0][1] >= STATE_SETTLED_FROM
        and diagnosis.ranked()[0][0] not in NOBODY_AT_FAULT
    ]
    if settled:
        yield PlainTest(
            "unplug the network section by section, at its joints and plugs, and watch the reading that is wrong",
            20.0,
            "as for that reading",
            (
                "it comes right: the fault is in the section unplugged",
                "it stays wrong: the fault is in the rest; plug that section back in",
            ),
            (
                UNPLUG_CAUTION,
                "No restraint or high-voltage module is taken off: the maker's procedure comes first.",
            ),
        )


_IN_TURN: Final[tuple[Callable[[Stuck], Iterator[PlainTest]], ...]] = (
    along_a_bad_feed,
    feeds_not_read,
    _pair_not_read,
    _line_not_read,
    lines_at_the_silent,
    served_and_silent,
    load_on_wires,
    _move_the_harness,
    _watch_while_asked,
    _bare_module,
    _current_at_rest,
    _part_the_network,
)
