"""What was done in the end: the steps, the cause with its proof, the fix, the verification, what stays odd.

Judged: of the library's fault cases 4 % are still open and 4 % ended without a fix; 82 % of the causes are proven;
88 % of the fixes are verified, 2 % of these came back; 7 % keep a leftover. Causes not proven are right all the
same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random
from typing import Any, Final

from synthetic_faults import Spot
from synthetic_fleet import picked
from synthetic_people import Author
from synthetic_silence import YES, Silence
from synthetic_stories import in_style
from synthetic_visits import Visit, is_cured_without

OUTCOMES: Final = (("fixed", 0.92), ("open", 0.04), ("not fixed", 0.04))
PROVEN_SHARE, VERIFIED_SHARE, LEFTOVER_SHARE = 0.82, 0.88, 0.07

_FOUND: Final = {
    "bus_quiet": "nobody sends, {where} does not switch through",
    "bus_asleep": "pair stays asleep, wake-up feed dead at {where}",
    "lines_shorted_together": "the two lines touch: {where}",
    "high_shorted_to_ground": "CAN high on ground: {where}",
    "low_shorted_to_ground": "CAN low on ground: {where}",
    "high_shorted_to_battery": "CAN high on plus: {where}",
    "low_shorted_to_battery": "CAN low on plus: {where}",
    "high_open": "CAN high parted: {where}",
    "low_open": "CAN low parted: {where}",
    "both_open": "both lines parted: {where}",
    "terminator_missing": "one 120 ohm is not there: {where}",
    "both_terminators_missing": "no 120 ohm left on the pair: {where}",
    "extra_terminator": "a third 120 ohm: {where}",
    "driver_stuck_dominant": "{of} holds the pair dominant",
    "module_supply_or_ground": "{of} has no proper feed: {where}",
    "module_internal": "{of} has supply, ground and a good pair, and is dead all the same",
    "connector_corrosion": "green pins: {where}",
    "water_in_module": "{of} opened, wet inside",
    "configuration": "{of} carries the data set of another variant",
    "aftermarket_device": "{of} spliced into the pair: {where}",
    "sensor_or_actuator": "only a circuit of {of}, the network is right",
    "gateway_isolation_normal": "flat as it should be, {of} keeps the inside away; traffic as soon as the tester asks",
    "noise_coupling": "hash on both lines from a cable alongside: {where}",
    "low_system_voltage": "supply drops while cranking: {where}",
    "poor_joint": "contact with too much resistance in one line: {where}",
    "terminator_wrong_value": "terminator of {of} is not 120 ohm",
    "leak": "moisture between the pins lets current through: {where}",
    "module_loads_lines": "{of} pulls both lines while it has no life of its own",
    "ground_offset": "ground of {of} sits above battery minus: {where}",
    "one_awake_alone": "only {of} is awake, the others have no wake-up feed: {where}",
}
_FOUND_LOCAL: Final = "{part} of {of}: {where}, the pair itself is right"
_FOUND_NORMAL: Final = "nothing to mend: {where}"
_SETTLED: Final = (
    "Followed it up to {where}",
    "Opened up at {where}",
    "One at a time, last {where}",
    "Measured again at {where}",
)
_SETTLED_NORMAL: Final = ("Read again as it should be read", "Read the same on a sister vehicle")
_DONE: Final = {
    "harness": ("Wires cut back and renewed, loom clipped away", "Loom repaired with sleeves, twist kept"),
    "connector": ("Terminals and seal renewed", "Connector remade, both halves"),
    "splice": ("Splice cut out and remade", "Splice pack renewed"),
    "module": ("{of} replaced and coded", "{of} exchanged, taught in"),
    "fuse": ("Fuse renewed, carrier cleaned", "Fuse carrier contact renewed"),
}
_DONE_FOR: Final = {
    "configuration": ("{of} coded to the vehicle",),
    "aftermarket_device": ("{of} taken off the pair, insulation made good",),
    "gateway_isolation_normal": ("Nothing repaired on the network",),
    "none": ("Nothing repaired", "Explained to the customer, nothing fitted"),
    "low_system_voltage": ("Battery and strap renewed",),
    "sensor_or_actuator": ("Sensor of {of} renewed",),
    "noise_coupling": ("Cable rerouted, ferrites fitted",),
}
_DONE_OF_CIRCUIT: Final = ("Wires to the {part} renewed", "{part} and its plug renewed")
_PROOFS: Final = (
    "Gone with the repair and back when it was undone, twice.",
    "Seen by eye, and the readings were right at once afterwards.",
    "Fault came and went at {where} while the meter was on.",
    "Right with a bypass around {where}.",
)
_PROOFS_NORMAL: Final = (
    "Reads the same on another one of that build.",
    "Watched for a week, nothing stored, nothing lit.",
)
_LEFTOVERS: Final = (
    "One stored code in the radio does not fit. Has not come back.",
    "Why it was worse on Mondays nobody knows.",
    "Lamp test takes longer than on another one of the kind.",
    "Resting current is a little high still.",
)


@dataclass(frozen=True)
class Repaired:
    """What a repair is told from; `network` is its name as the record lists it, if it does."""

    spot: Spot
    heard: Silence
    visit: Visit
    modules: tuple[str, ...]
    named: dict[str, str]
    author: Author
    chance: Random
    network: str | None
    second: Spot | None = None

    def filled(self, text: str) -> str:
        """Return a text with the place and the module put in."""
        of = self.spot.device or (self.named[self.spot.module] if self.spot.module else "the network")
        return text.format(where=self.spot.where, of=of, part=self.spot.part)

    def typed(self, text: str) -> str:
        """Return a text as the author types it."""
        return in_style(self.filled(text), self.author, self.chance)


def drawn_outcome(chance: Random) -> str:
    """Return how a job of the library ended: `fixed`, `open` or `not fixed`."""
    return picked(OUTCOMES, chance)


def repair_of(told: Repaired, outcome: str, solved: bool) -> dict[str, Any]:
    """Return steps, cause, fix, verification and leftover as a record's keys; `solved`: proven and verified."""
    steps = search_steps(told)
    guessed = outcome == "not fixed" and told.chance.random() < 0.5
    if outcome != "fixed":
        return {"steps": steps} | ({"cause": _cause(told, proven=False)} if guessed else {})
    parts: dict[str, Any] = {"steps": [*steps, _settling_step(told)]}
    parts["cause"] = _cause(told, proven=solved or told.chance.random() < PROVEN_SHARE)
    if told.second:
        parts["more_causes"] = [_cause(replace(told, spot=told.second, network=None), proven=solved)]
    parts["fix"] = _fix(told)
    if solved or told.chance.random() < VERIFIED_SHARE:
        parts["verification"] = _verification(told)
    if told.chance.random() < LEFTOVER_SHARE:
        parts["leftover"] = told.chance.choice(_LEFTOVERS)
    return parts


def search_steps(told: Repaired) -> list[dict[str, Any]]:
    """Return the steps before the one that settled it: they name no cause."""
    chance = told.chance
    silent = [told.named[name] for name, answer in told.heard.answers.items() if answer != YES]
    steps = [_step(told, chance.choice(("Full scan", "scan, codes saved")), _scan_words(silent), (5, 20))]
    if told.visit.rows:
        steps.append(_step(told, "Meter on the pair", "written down", (10, 30)))
    unplugged = [*told.visit.innocents, *([] if told.visit.suspect is None else [told.visit.suspect])]
    if told.visit.measures and unplugged:
        cured = is_cured_without(told.spot, unplugged[-1])
        names = ", ".join(told.named[told.modules[index]] for index in unplugged)
        steps.append(_step(told, f"Unplugged {names}", "that changed it" if cured else "no change", (15, 60)))
    if told.visit.feed_of is not None:
        name = told.named[told.modules[told.visit.feed_of]]
        steps.append(_step(told, f"Feed of {name} at its plug", "see readings", (10, 25)))
    return steps


def _scan_words(silent: list[str]) -> str:
    if not silent:
        return "everybody answers"
    return f"no answer from {', '.join(silent)}" if len(silent) < 4 else f"{len(silent)} do not answer"


def _step(told: Repaired, did: str, found: str, minutes: tuple[int, int]) -> dict[str, Any]:
    step = {
        "did": in_style(did, told.author, told.chance),
        "found": in_style(found, told.author, told.chance),
    }
    return step | (
        {"minutes": told.chance.randint(*minutes)} if told.chance.random() < told.author.care else {}
    )


def _settling_step(told: Repaired) -> dict[str, Any]:
    did = told.filled(told.chance.choice(_SETTLED_NORMAL if told.spot.misread else _SETTLED))
    return _step(told, did, told.filled(_found_words(told.spot)), (15, 120))


def _found_words(spot: Spot) -> str:
    if spot.misread:
        return _FOUND_NORMAL
    return _FOUND_LOCAL if spot.part else _FOUND[spot.fault]


def _cause(told: Repaired, proven: bool) -> dict[str, Any]:
    spot = told.spot
    module = spot.device or (told.named[spot.module] if spot.module else None)
    proofs = _PROOFS_NORMAL if spot.misread else _PROOFS
    said = {
        "network": told.network,
        "module": module,
        "mechanism": spot.mechanism,
        "proof": told.typed(told.chance.choice(proofs)) if proven else None,
    }
    where = {"where": {"place": spot.place, "text": spot.where}} if spot.place else {}
    return {"fault": spot.fault, **where} | {key: value for key, value in said.items() if value}


def _fix(told: Repaired) -> dict[str, Any]:
    chance = told.chance
    done = _DONE_OF_CIRCUIT if told.spot.part else _DONE_FOR.get(told.spot.fault) or _DONE[told.spot.place]
    fix: dict[str, Any] = {"done": told.typed(chance.choice(done))}
    if chance.random() < told.author.care:
        fix |= {"minutes": chance.randint(15, 240), "cost": f"{chance.randint(40, 900)}.00 EUR"}
    return fix


def _verification(told: Repaired) -> dict[str, Any]:
    chance = told.chance
    rescan = picked(
        (("clean", 0.86), ("other codes remain", 0.08), ("not done", 0.04), ("same codes back", 0.02)), chance
    )
    said: dict[str, Any] = {"codes_cleared": "yes", "rescan": rescan}
    if chance.random() < told.author.care:
        said |= {"road_test": f"{chance.randint(4, 60)} km"}
    if chance.random() < 0.6:
        said |= {
            "days_without_return": chance.randint(7, 200),
            "came_back": "yes" if rescan.startswith("same") else "no",
        }
    return said
