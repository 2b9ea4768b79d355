"""From one number to one record: the vehicle, its fault and the buses to be solved, then what is written.

Judged shares of what is missing: networks 4 %, modules 15 %, codes 12 %, the story 6 %; readings, lamps and
conditions as their own modules say. In a library 10 % of the records are known good vehicles, 3 % jobs on which
nothing was wrong, 7 % local faults, 1 % a local fault beside one of the network. Behind a gateway, 20 % of the
technicians measure at the DLC all the same, where everything looks healthy; a quarter of the known good networks there
are read asleep.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from random import Random
from typing import Any, Final

from ngspice_bus import SpiceBus
from ngspice_run import Solved
from synthetic_bench import Bench, Row
from synthetic_buses import bus_for, sleeping_bus
from synthetic_codes import codes_of, written_codes
from synthetic_faults import Spot, drawn_spot
from synthetic_fleet import Model, drawn_model, fleet, picked
from synthetic_local import drawn_local
from synthetic_normal import drawn_normal
from synthetic_people import Author, authors
from synthetic_readings import readings_after, readings_of
from synthetic_repairs import Repaired, drawn_outcome, repair_of
from synthetic_silence import YES, Silence, silence
from synthetic_stories import Told, conditions_of, lamps_of, story_of
from synthetic_topology import NetworkPlan, Topology, topology
from synthetic_trials import Tried, trials_of
from synthetic_visits import Visit, bus_in_isolation, drawn_visit
from written_readings import Meter

FAULT, LOCAL, NORMAL, KNOWN_GOOD = "network fault", "local fault", "nothing wrong", "known good"
BOTH: Final = "network and local fault"
KINDS: Final = ((FAULT, 0.79), (BOTH, 0.01), (LOCAL, 0.07), (NORMAL, 0.03), (KNOWN_GOOD, 0.10))
ASLEEP_SHARE: Final = 0.25
NO_NETWORKS, NO_MODULES, NO_CODES, NO_STORY = 0.04, 0.15, 0.12, 0.06
AT_DLC_SHARE: Final = 0.2
AT_DLC_SHARE_LOCAL: Final = 0.5
HEALED_BUSES: Final = 4
"""Healthy buses per network from which readings after a repair are taken: no search ever sees these."""

FIRST_DAY, LAST_DAY = date(2023, 1, 2), date(2026, 6, 30)


@dataclass(frozen=True)
class Draft:
    """One vehicle at one shop, before anything is solved. Without a `spot` it is a known good one.

    `second`: a local fault beside the one of the network.
    """

    name: str
    case_id: str
    model: Model
    year: int
    author: Author
    plan: Topology
    network: NetworkPlan
    spot: Spot | None
    bus: SpiceBus
    visit: Visit
    measured: NetworkPlan
    measured_bus: SpiceBus
    isolated: SpiceBus | None
    healed: SpiceBus | None
    second: Spot | None = None

    @property
    def is_measured(self) -> bool:
        """Whether people measure on the network concerned, not on another one at the DLC."""
        return self.measured is self.network

    @property
    def buses(self) -> tuple[SpiceBus, ...]:
        """The buses that must be solved before the record can be written."""
        found = (self.measured_bus if self.visit.rows else None, self.isolated, self.healed)
        return tuple(bus for bus in found if bus)


def draft(fleet_number: int, seed: int, number: int, prefix: str, kind: str | None = None) -> Draft:
    """Return what happens to vehicle `number`; without `kind`, one of `KINDS`."""
    name = f"{fleet_number} {prefix} {seed} {number}"
    chance = Random(f"draft {name}")
    model = drawn_model(fleet(fleet_number), chance)
    plan = topology(model.platform)
    kind = kind or picked(KINDS, chance)
    draw = _DRAWN[kind]
    spot = draw(plan, chance) if draw else None
    network = plan.networks[spot.network if spot else chance.randrange(len(plan.networks))]
    bus = bus_for(network, spot, name)
    if spot is None and network.behind_gateway and chance.random() < ASLEEP_SHARE:
        bus = sleeping_bus(network, name)
    visit = drawn_visit(network, spot, chance)
    measured, measured_bus = network, bus
    share = AT_DLC_SHARE_LOCAL if spot and spot.part else AT_DLC_SHARE
    if spot and not spot.misread and network.behind_gateway and chance.random() < share:
        visit = replace(visit, suspect=None, innocents=(), takes_device_off=False, feed_of=None)
        measured, measured_bus = plan.networks[0], bus_for(plan.networks[0], None, f"DLC {name}")
    return Draft(
        name=name,
        case_id=f"{prefix}{number:06d}",
        model=model,
        year=chance.randint(model.first_year, model.last_year),
        author=chance.choice(authors()),
        plan=plan,
        network=network,
        spot=spot,
        bus=bus,
        visit=visit,
        measured=measured,
        measured_bus=measured_bus,
        isolated=bus_in_isolation(visit, bus, chance),
        healed=_healed(plan, measured, chance) if spot and visit.afterwards else None,
        second=_beside(plan, spot, Random(f"second {name}")) if kind == BOTH and spot else None,
    )


def _of_the_network(plan: Topology, chance: Random) -> Spot:
    """Return a fault that the network feels."""
    while True:
        spot = drawn_spot(plan, chance)
        if spot.way.effect not in ("none", "data"):
            return spot


def _beside(plan: Topology, spot: Spot, chance: Random) -> Spot:
    """Return a local fault at another module than that of `spot`."""
    while True:
        second = drawn_local(plan, chance)
        if second.module != spot.module:
            return second


_DRAWN: Final[dict[str, Callable[[Topology, Random], Spot] | None]] = {
    FAULT: drawn_spot,
    LOCAL: drawn_local,
    BOTH: _of_the_network,
    NORMAL: drawn_normal,
    KNOWN_GOOD: None,
}


def _healed(plan: Topology, network: NetworkPlan, chance: Random) -> SpiceBus:
    name = f"healed {plan.platform.name} {network.name} {chance.randrange(HEALED_BUSES)}"
    return bus_for(network, None, name)


@dataclass(frozen=True)
class Scribe:
    """Writes one record: the draft, and what ngspice found on its buses; None leaves the readings out."""

    drafted: Draft
    solved: dict[SpiceBus, Solved] | None
    certain: bool

    @cached_property
    def chance(self) -> Random:
        """The chance of everything that is written down."""
        return Random(f"written {self.drafted.name}")

    @cached_property
    def named(self) -> dict[str, str]:
        """What the author calls each module."""
        plan, author = self.drafted.plan, self.drafted.author
        return {key: author.names(key, plan.kind(key).names, self.chance) for key in plan.modules}

    @cached_property
    def networks(self) -> tuple[NetworkPlan, ...]:
        """The networks that the record lists: the one concerned, and others now and then."""
        if self.chance.random() < NO_NETWORKS:
            return ()
        needed = (self.drafted.network, self.drafted.measured)
        return tuple(
            network
            for network in self.drafted.plan.networks
            if network in needed or self.chance.random() < 0.35
        )

    @cached_property
    def heard(self) -> Silence:
        """Who answers."""
        drafted = self.drafted
        if drafted.spot is None:
            return Silence(dict.fromkeys(drafted.plan.modules, YES))
        heard = silence(drafted.plan, drafted.spot, drafted.bus, self.chance)
        return heard if drafted.second is None else heard.refusing(str(drafted.second.module))

    def data(self) -> dict[str, Any]:
        """Return the record as plain data, its parts in the order of the format; empty ones are left out."""
        drafted = self.drafted
        parts: dict[str, Any] = {
            "id": drafted.case_id,
            "kind": "fault case" if drafted.spot else "known good",
            "vehicle": drafted.model.vehicle(drafted.year, self.chance),
            "networks": [self._network(network) for network in self.networks],
        }
        parts |= {"modules": self._modules()} if self.chance.random() >= NO_MODULES else {}
        outcome = "fixed" if self.certain or drafted.spot is None else drawn_outcome(self.chance)
        parts |= self._case_parts(drafted.spot, outcome) if drafted.spot else {"readings": self._readings()}
        parts["provenance"] = self._provenance(outcome)
        return {key: value for key, value in parts.items() if value}

    def _case_parts(self, spot: Spot, outcome: str) -> dict[str, Any]:
        drafted, chance = self.drafted, self.chance
        told = Told(drafted.plan, spot, self.heard, drafted.author, self.named, chance, drafted.second)
        story, lamps = story_of(told), lamps_of(told)
        codes = self._codes(spot) if chance.random() >= NO_CODES else []
        is_told = chance.random() >= NO_STORY or not (codes or lamps)
        repaired = Repaired(
            spot,
            self.heard,
            drafted.visit,
            drafted.network.modules,
            self.named,
            drafted.author,
            chance,
            drafted.network.name if self.networks and chance.random() < 0.9 else None,
            drafted.second,
        )
        return {
            **(story if is_told else {}),
            "lamps": lamps,
            "conditions": conditions_of(told),
            "codes": codes,
            "readings": self._readings(),
            "trials": self._trials(spot),
            **repair_of(repaired, outcome, self.certain),
        }

    def _network(self, network: NetworkPlan) -> Row:
        care = 0.3 + 0.6 * self.drafted.author.care
        said = {
            "bit_rate": network.bit_rate,
            "reached": "behind a gateway" if network.behind_gateway else "directly",
            "gateway": self.named[network.gateway] if network.gateway else None,
            "terminators_in": [self.named[name] for name in network.host_names],
        }
        kept = {key: value for key, value in said.items() if value and self.chance.random() < care}
        return {"name": network.name, "medium": network.medium, **kept}

    def _modules(self) -> list[Row]:
        """Return the modules noted: those in trouble, and others as the author's care goes."""
        care, listed = self.drafted.author.care, {network.name for network in self.networks}
        rows = []
        for key, answer in self.heard.answers.items():
            if answer == YES and self.chance.random() > care:
                continue
            row = {"name": self.named[key], "answers": answer}
            network = self.drafted.plan.network_of(key).name
            rows.append(row | ({"network": network} if network in listed and len(listed) > 1 else {}))
        return rows

    def _codes(self, spot: Spot) -> list[Row]:
        entries = codes_of(self.drafted.plan, spot, self.heard, self.chance, self.drafted.second)
        truck = self.drafted.plan.platform.layout == "truck"
        words = ("active", "previously active") if truck else ("confirmed", "pending", "history")
        return written_codes(entries, self.named, self.drafted.author.forgets, words, self.chance)

    def _readings(self) -> list[Row]:
        if self.solved is None:
            return []
        drafted, network = self.drafted, self.drafted.measured
        # A chance of its own: with readings or without, the rest of the record stays the same.
        chance = Random(f"readings {drafted.name}")
        meter = Meter.of(chance, drafted.author.counts)
        spot = drafted.spot if drafted.is_measured else None
        key = {"network": network.name} if len(self.networks) > 1 else {}
        bench = Bench(network, spot, drafted.author, self.named, meter, chance, key)
        found = self._found(drafted.measured_bus) if drafted.visit.rows else None
        rows = readings_of(bench, drafted.visit, found, self._found(drafted.isolated))
        healed = self._found(drafted.healed)
        return rows + (readings_after(bench, drafted.visit, healed) if healed else [])

    def _found(self, bus: SpiceBus | None) -> tuple[SpiceBus, Solved] | None:
        return (bus, self.solved[bus]) if bus and self.solved else None

    def _trials(self, spot: Spot) -> list[Row]:
        # A chance of its own: the rest of the record stays the same.
        chance = Random(f"trials {self.drafted.name}")
        return trials_of(Tried(spot, self.drafted.network, self.heard, self.named, chance))

    def _provenance(self, outcome: str) -> Row:
        drafted = self.drafted
        first = max(FIRST_DAY, date(drafted.year, 7, 1))
        opened = first + timedelta(days=self.chance.randrange((LAST_DAY - first).days))
        days = {"opened": str(opened)}
        if outcome != "open":
            days["ended"] = str(opened + timedelta(days=self.chance.choice((0, 0, 0, 1, 2, 5))))
        return {"author": drafted.author.handle, "shop": drafted.author.shop, **days, "invented": "yes"}
