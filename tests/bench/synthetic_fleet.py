"""The invented fleet: 8 makes, 20 platforms, 60 models with their years. No real make, model or platform is meant."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from random import Random
from typing import Final, TypeVar

Thing = TypeVar("Thing")

PLATFORMS: Final = 20
MODELS_PER_PLATFORM: Final = 3

_CAR_MAKES: Final = ("Aldvane", "Cresthal", "Dunmarr", "Ekkorra", "Holmrudd", "Kestavo")
_TRUCK_MAKES: Final = ("Ostrovane", "Vessmarr")
_TRUCK_EVERY: Final = 5
"""Every fifth platform is a truck's."""

_NAMES: Final = (
    *("Torvil", "Quennar", "Ambrell", "Sorrinde", "Halveck", "Maddocke", "Lunvara", "Orsetti", "Fennoch"),
    *("Galdora", "Isannet", "Jorvell", "Kestrinne", "Lomarra", "Merrowin", "Nivellon", "Olmedda", "Pendrath"),
    *("Quillane", "Rostvar", "Selvane", "Tamsinde", "Ulvarra", "Verrenth", "Wendrick", "Yarrolt", "Zelmonde"),
    *("Arkvell", "Brovinne", "Calthorne", "Dorvane", "Esselin", "Farrund", "Grettan", "Hesslin", "Ivarre"),
    *(
        "Jessamond",
        "Kolvane",
        "Lethrin",
        "Morvenne",
        "Nethrold",
        "Ostelle",
        "Parvinne",
        "Ristelle",
        "Sundholt",
    ),
    *("Trevanne", "Ulmarre", "Vostrin", "Wexlund", "Yllvane", "Zandrel", "Aversund", "Belloch", "Corvasse"),
    *("Dellring", "Emmerold", "Fjordane", "Gorvane", "Hallmarre", "Ibrenne", "Joskell", "Kermoth"),
)

_LAYOUTS: Final = (("one pair", 5), ("two pairs", 5), ("gateway", 4), ("gateway electric", 2))
_MARKETS: Final = (("Europe", 6), ("North America", 3), ("Oceania", 1))
_ENGINES: Final = {
    "truck": (("diesel", 1),),
    "gateway electric": (("battery electric", 1),),
}
_CAR_ENGINES: Final = (("petrol", 5), ("diesel", 4), ("mild hybrid", 1), ("plug-in hybrid", 1))


@dataclass(frozen=True)
class Platform:
    """What several models share: the harness, the networks, the weak spots. `layout` names a topology."""

    name: str
    make: str
    layout: str
    failure_type: str
    """How its codes end: nothing, `00`, or a byte that says what failed."""


@dataclass(frozen=True)
class Model:
    """One model, built from `first_year` to `last_year`."""

    name: str
    platform: Platform
    first_year: int
    last_year: int
    share: float
    """How often it comes to the shops, relative to the others."""

    def vehicle(self, year: int, chance: Random) -> dict[str, object]:
        """Return one vehicle of this model as a record's data; what nobody wrote down is left out."""
        distance = int(chance.triangular(0.3, 2.2, 1.0) * (2026.5 - year) * 14_000)
        layout = self.platform.layout
        said = {
            "model_year": (year, 0.92),
            "platform": (self.platform.name, 0.55),
            "powertrain": (picked(_ENGINES.get(layout, _CAR_ENGINES), chance), 0.75),
            "market": (picked(_MARKETS, chance), 0.45),
            "odometer": (f"{distance // 100 * 100} km", 0.65),
        }
        kept = {key: value for key, (value, share) in said.items() if chance.random() < share}
        return {"make": self.platform.make, "model": self.name, **kept}


def picked(weighted: tuple[tuple[Thing, float], ...], chance: Random) -> Thing:
    """Return one thing of pairs (thing, weight)."""
    return chance.choices([thing for thing, _ in weighted], [weight for _, weight in weighted])[0]


@cache
def fleet(number: int = 1) -> tuple[Model, ...]:
    """Return the models of one fleet; another number gives other networks and weak spots under the same names."""
    chance = Random(f"fleet {number}")
    names = chance.sample(_NAMES, PLATFORMS * MODELS_PER_PLATFORM)
    models = []
    for order in range(PLATFORMS):
        platform = _platform(order, number, chance)
        for name in names[order * MODELS_PER_PLATFORM :][:MODELS_PER_PLATFORM]:
            first = chance.randint(2008, 2019)
            last = min(first + chance.randint(3, 8), 2024)
            models.append(Model(name, platform, first, last, min(chance.paretovariate(1.6), 4.0)))
    return tuple(models)


def _platform(order: int, fleet_number: int, chance: Random) -> Platform:
    truck = order % _TRUCK_EVERY == 0
    makes = _TRUCK_MAKES if truck else _CAR_MAKES
    make = makes[order // _TRUCK_EVERY % len(makes)] if truck else makes[order % len(makes)]
    return Platform(
        name=f"{make[0]}{order + 1}{'' if fleet_number == 1 else f'-{fleet_number}'}",
        make=make,
        layout="truck" if truck else picked(_LAYOUTS, chance),
        failure_type=chance.choice(("", "00", "told")),
    )


def drawn_model(models: tuple[Model, ...], chance: Random) -> Model:
    """Return a model, common ones more often."""
    return picked(tuple((model, model.share) for model in models), chance)
