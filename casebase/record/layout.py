"""The wiring layout of a platform: the networks as a graph of places and wires, with feeds and ground points.

A place is written once, under its kind; wires are runs through places, `[DLC, 0.6 m, X12, 1.8 m, S417, ABS]`. What
follows from it is never typed: which wire is trunk and which a stub, and what a bus passes through.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from casebase.errors import InputError, QuantityError
from casebase.record.case import ID_PATTERN, Provenance
from casebase.record.fields import AsList, BitRate, Minutes, Name, NotATruthValue, Ohms, Part, Text
from casebase.record.quantities import LENGTH, read_amount
from casebase.record.vehicle import FIRST_MODEL_YEAR, Vehicle
from casebase.record.vocabulary import NETWORK_LAYOUT, Medium, YesNo
from casebase.record.word_list import Word, plain_form

MOST_PLACES: Final = 2000
"""Far above any vehicle (a car has some hundred places on its networks), low enough to answer at once."""

DLC: Final = "DLC"
"""The diagnostic connector: a place of every layout, listed nowhere."""


class Source(Word):
    """Where a piece of a layout is known from."""

    MEASURED = "measured"
    DIAGRAM = "from the maker's diagram"
    GUESSED = "guessed"


class PlaceKind(Word):
    """What a place of a layout is."""

    DLC = "DLC"
    MODULE = "module"
    PLUG = "plug"
    SPLICE = "splice"
    TERMINATOR = "terminator"
    GROUND = "ground point"
    FEED = "feed"


class FeedKind(Word):
    """What a feed comes from."""

    FUSE = "fuse"
    RELAY = "relay"
    FUSIBLE_LINK = "fusible link"


class Place(Part):
    """One place: its name as the shop calls it, where it is found, what it takes to get there."""

    name: Name
    at: Text | None = Field(default=None, description="Where it is to be found: behind the left kick panel.")
    minutes: Minutes | None = Field(
        default=None, description="To get at it, trim off and on again; left out, the usual is taken."
    )
    source: Source | None = Field(default=None, description="Left out: the source of the whole layout.")

    @model_validator(mode="before")
    @classmethod
    def _named_alone(cls, data: Any) -> Any:
        return {"name": data} if isinstance(data, str) else data


class LayoutModule(Place):
    """One module, by the name that records of the platform give it."""


class Plug(Place):
    """An inline plug: two halves that part; wires of several networks may pass through it."""

    pins: dict[Name, Name] | None = Field(
        default=None, description="The pins of each network: {HS CAN: 14 and 15}."
    )


class Splice(Place):
    """A splice, or a joint connector, where wires of one network meet."""

    can_be_parted: YesNo | None = Field(
        default=None,
        description="yes: a joint connector whose branches come off. Left out: crimped or soldered.",
    )


class PowerPoint(Place):
    """What several modules get their supply or their ground from."""

    modules: Annotated[list[Name], AsList, Field(min_length=1, max_length=MOST_PLACES)]
    through: Annotated[list[Name], AsList, Field(max_length=MOST_PLACES)] = Field(
        default_factory=list, description="Plugs that its wires pass on their way."
    )


class Feed(PowerPoint):
    """A fuse, relay or fusible link, and the modules that it supplies."""

    kind: FeedKind = FeedKind.FUSE


class GroundPoint(PowerPoint):
    """A ground point, and the modules whose ground goes there."""


class Terminator(Part):
    """A terminator of a network: inside a module, within a splice pack, or a resistor of its own."""

    at: Name = Field(
        description="The module or splice that holds it; another name is a resistor of its own on the harness."
    )
    ohms: Ohms | None = Field(default=None, description="Left out: 120 ohm.")
    minutes: Minutes | None = Field(default=None, description="To get at a resistor of its own.")
    source: Source | None = None

    @model_validator(mode="before")
    @classmethod
    def _named_alone(cls, data: Any) -> Any:
        return {"at": data} if isinstance(data, str) else data


def _names_and_lengths(items: list[str]) -> list[str]:
    """Refuse a run that does not go from place to place."""
    lengths = [metres_in(item) is not None for item in items]
    if len(items) - sum(lengths) < 2:
        raise InputError("a wire needs two ends: expected such as [DLC, X12] or [DLC, 0.6 m, X12]")
    if lengths[0] or lengths[-1] or any(map(all, pairwise(lengths))):
        raise InputError("a length stands between two places: expected such as [DLC, 0.6 m, X12]")
    return items


class Run(Part):
    """A run of wire from place to place; a length between two places is that of the wire between them."""

    through: Annotated[
        list[Name], Field(min_length=2, max_length=2 * MOST_PLACES), AfterValidator(_names_and_lengths)
    ]
    source: Source | None = None

    @model_validator(mode="before")
    @classmethod
    def _list_alone(cls, data: Any) -> Any:
        return {"through": data} if isinstance(data, list) else data


@lru_cache(maxsize=8192)
def metres_in(item: str) -> float | None:
    """Return the length that an item of a run states, in metres; None for the name of a place.

    >>> metres_in("1.8 m"), metres_in("X12")
    (1.8, None)
    """
    try:
        return read_amount(item, LENGTH).number
    except QuantityError:
        return None


@dataclass(frozen=True)
class Wire:
    """The wire between two places that follow each other, of one network; two lines where the medium has two."""

    network: str
    ends: tuple[str, str]
    metres: float | None
    source: Source

    @property
    def name(self) -> str:
        """Its name: `DLC to X12`."""
        return f"{self.ends[0]} to {self.ends[1]}"


class LayoutNetwork(Part):
    """One network: its medium, the terminators, and the wires from place to place."""

    name: Name
    medium: Medium
    bit_rate: BitRate | None = None
    ring: YesNo | None = Field(default=None, description="yes: its trunk closes to a ring.")
    terminators: Annotated[list[Terminator], AsList, Field(max_length=MOST_PLACES)] = Field(
        default_factory=list
    )
    wires: Annotated[list[Run], Field(max_length=MOST_PLACES)] = Field(default_factory=list)

    def places(self) -> tuple[str, ...]:
        """Return the names of its places, each once, in the order in which the wires name them."""
        items = (item for run in self.wires for item in run.through if metres_in(item) is None)
        return tuple(dict.fromkeys(items))


class Fitted(Part):
    """The vehicles that a layout holds for."""

    make: Name
    models: Annotated[list[Name], AsList, Field(max_length=50)] = Field(default_factory=list)
    platform: Name | None = Field(default=None, description="The maker's name for the platform.")
    first_year: Annotated[int, Field(ge=FIRST_MODEL_YEAR, le=2100), NotATruthValue] | None = None
    last_year: Annotated[int, Field(ge=FIRST_MODEL_YEAR, le=2100), NotATruthValue] | None = None
    equipment: Text | None = Field(default=None, description="What it is true of alone: with tow bar.")

    def fit(self, vehicle: Vehicle) -> int:
        """Return how well a layout of these holds for a vehicle: 0 not at all, 1 of another make or year, else more."""
        platform = plain_form(self.platform or "")
        same_platform = bool(platform) and platform == plain_form(vehicle.platform or "")
        if self.make.casefold() != vehicle.make.casefold():
            return int(same_platform)
        same_model = plain_form(vehicle.model) in map(plain_form, self.models)
        if not same_model and not (same_platform and not self.models):
            return 2 if same_platform else 0
        year = vehicle.model_year
        of_the_years = year is None or (self.first_year or year) <= year <= (self.last_year or year)
        return 3 + same_platform if of_the_years else 1

    def unlike(self, vehicle: Vehicle) -> str:
        """Return a sentence where a layout of these may not be that of a vehicle; empty where it is of its model."""
        if self.fit(vehicle) >= 2:
            return ""
        return (
            f"This layout ({self.line()}) is of another make or other years than this vehicle: hold it against the"
            " vehicle first."
        )

    def line(self) -> str:
        """Return them in one line."""
        years = " to ".join(
            str(year) for year in dict.fromkeys((self.first_year, self.last_year)) if year is not None
        )
        named = f"platform {self.platform}" if self.platform else None
        parts = (f"{self.make} {', '.join(self.models)}".strip(), years, named, self.equipment)
        return ", ".join(part for part in parts if part)


def _layout_kind(value: object) -> object:
    named = isinstance(value, str) and plain_form(value) == plain_form(NETWORK_LAYOUT)
    return NETWORK_LAYOUT if named else value


class Layout(Part):
    """A whole layout."""

    id: Annotated[str, Field(pattern=ID_PATTERN)] | None = Field(
        default=None, description="Given by the library; leave it out of a new layout."
    )
    revision: Annotated[int, Field(ge=1), NotATruthValue] | None = Field(
        default=None, description="The revision this file was made from; leave it out of a new layout."
    )
    kind: Annotated[Literal["network layout"], BeforeValidator(_layout_kind)]
    title: Name | None = Field(default=None, description="Left out, it follows from the vehicles.")
    vehicles: Fitted
    source: Source = Field(description="Where it is known from, unless a part says otherwise.")
    partly_known: YesNo | None = Field(
        default=None, description="yes: there is more than stands here; loose ends are allowed then."
    )
    missing: Text | None = Field(default=None, description="What is not known, in words.")
    networks: Annotated[list[LayoutNetwork], Field(min_length=1, max_length=100)]
    modules: Annotated[list[LayoutModule], AsList, Field(min_length=1, max_length=MOST_PLACES)]
    gateways: Annotated[list[Name], AsList, Field(max_length=MOST_PLACES)] = Field(
        default_factory=list, description="The modules that pass frames from one network to another."
    )
    plugs: Annotated[list[Plug], AsList, Field(max_length=MOST_PLACES)] = Field(default_factory=list)
    splices: Annotated[list[Splice], AsList, Field(max_length=MOST_PLACES)] = Field(default_factory=list)
    feeds: Annotated[list[Feed], Field(max_length=MOST_PLACES)] = Field(default_factory=list)
    grounds: Annotated[list[GroundPoint], Field(max_length=MOST_PLACES)] = Field(default_factory=list)
    note: Text | None = None
    provenance: Provenance = Provenance()

    @cached_property
    def kinds(self) -> dict[str, PlaceKind]:
        """What each place is, by its name; resistors of their own are the last."""
        listed: dict[str, PlaceKind] = {DLC: PlaceKind.DLC}
        for kind, places in self.listed_places():
            listed |= {place.name: kind for place in places}
        loose = (terminator.at for network in self.networks for terminator in network.terminators)
        return listed | {name: PlaceKind.TERMINATOR for name in loose if name not in listed}

    def listed_places(self) -> Iterator[tuple[PlaceKind, list[Any]]]:
        """Yield each kind of place with the places that are listed under it."""
        yield PlaceKind.MODULE, self.modules
        yield PlaceKind.PLUG, self.plugs
        yield PlaceKind.SPLICE, self.splices
        yield PlaceKind.FEED, self.feeds
        yield PlaceKind.GROUND, self.grounds

    def power_points(self) -> tuple[PowerPoint, ...]:
        """Return the feeds and the ground points."""
        return (*self.feeds, *self.grounds)

    @property
    def is_partly_known(self) -> bool:
        """Whether there is more than stands here."""
        return self.partly_known is YesNo.YES

    def wires(self, network: LayoutNetwork) -> tuple[Wire, ...]:
        """Return the wires of a network, one for each two places that follow each other in a run."""
        return tuple(
            Wire(network.name, ends, metres, run.source or self.source)
            for run in network.wires
            for ends, metres in _steps(run.through)
        )

    def passed_through(self, network: LayoutNetwork) -> tuple[str, ...]:
        """Return the modules that a network passes through: two of its wires end there, and unplugging parts it."""
        ends = Counter(end for wire in self.wires(network) for end in wire.ends)
        return tuple(
            name for name, wires in ends.items() if wires > 1 and self.kinds.get(name) is PlaceKind.MODULE
        )

    def called(self, name: str) -> str:
        """Return a place as people say it: `plug X12`, `splice S417`, `ABS`."""
        kind = self.kinds[name]
        if kind in (PlaceKind.DLC, PlaceKind.MODULE) or str(kind) in name.casefold():
            return name
        if kind is PlaceKind.FEED:
            feed = next(feed for feed in self.feeds if feed.name == name)
            return name if str(feed.kind) in name.casefold() else f"{feed.kind} {name}"
        return f"{kind} {name}"

    def name(self) -> str:
        """Return its title: as given, or made from the vehicles."""
        return self.title or f"Networks of {self.vehicles.line()}"


def _steps(items: list[str]) -> Iterator[tuple[tuple[str, str], float | None]]:
    """Yield the two ends and the metres of each wire of a run."""
    last, metres = items[0], None
    for item in items[1:]:
        length = metres_in(item)
        if length is not None:
            metres = length
            continue
        yield (last, item), metres
        last, metres = item, None
