"""Who writes the records: invented shops and authors, each with habits of speech, care and instruments.

Judged: a third write carefully, a third hastily; half own a meter of 6000 counts, the others of 2000.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from random import Random
from typing import Final

STYLES: Final = ("plain", "long", "telegraph", "lower", "clipped")
DIALECTS: Final = 4

_SHOPS: Final = (
    "Lindenhof Kfz-Elektrik",
    "Two Brooks Auto Electric",
    "Verksted Solbakken",
    "Garage du Vieux Lavoir",
    "Officina Tre Colli",
    "Brackwater Commercials",
    "Taller El Molino Nuevo",
    "Tollgate Yard Diagnostics",
    "Szerviz a Malomnal",
    "Redgum Diesel and Auto",
)
_HANDLES: Final = (
    *(
        "arne_b",
        "bea",
        "cormac",
        "dita",
        "eoin.k",
        "femke",
        "gil",
        "hanna_r",
        "ivo",
        "jolanta",
        "kez",
        "luca.m",
    ),
    *(
        "marit",
        "nils",
        "oonagh",
        "piotr",
        "quim",
        "rosa",
        "sef",
        "tibor",
        "una",
        "vik",
        "wout",
        "yara",
        "zeno",
        "abe",
    ),
)


@dataclass(frozen=True)
class Author:
    """One person. `care` (0..1): how much is written down and stated; `typos`: slips of the key per word."""

    handle: str
    shop: str
    style: str
    dialect: int
    care: float
    forgets: float
    typos: float
    counts: int

    def names(self, key: str, known: tuple[str, ...], chance: Random) -> str:
        """Return the word for a module: one's own dialect, sometimes a colleague's."""
        dialect = chance.randrange(DIALECTS) if chance.random() < 0.12 else self.dialect
        return known[dialect % len(known)]


@cache
def authors() -> tuple[Author, ...]:
    """Return everybody."""
    chance = Random("people")
    return tuple(
        Author(
            handle=handle,
            shop=_SHOPS[order % len(_SHOPS)],
            style=chance.choice(STYLES),
            dialect=chance.randrange(DIALECTS),
            care=chance.choice((0.5, 0.75, 0.95)),
            forgets=chance.choice((0.0, 0.05, 0.2)),
            typos=chance.choice((0.0, 0.01, 0.04)),
            counts=chance.choice((6000, 2000)),
        )
        for order, handle in enumerate(_HANDLES)
    )
