"""Libraries of any size for measuring speed: profiles of the synthetic world with changed values, kept as an index.

Each profile begins as one of the 3000 of `synthetic_library(3000)`, filled in as a library does (posteriors from
simulated buses, stories as vectors of the installed text model), and is then changed: a vehicle of a larger fleet, half
the time another model; readings within 5 %; some codes, modules, lamps and conditions fewer or more; a posterior a
little sharper or flatter; a story vector with noise added (0.2 to 0.7 of its length, in a random direction) and brought
back to length 1. All of it is invented and follows from the seed. What was made is kept in the folder for temporary
files, by the content of the code that made it.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import islice
from pathlib import Path
from typing import Final, TypeVar

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from numpy.typing import NDArray
from synthetic_buses import kept
from synthetic_world import held_out_jobs, parts_missing, synthetic_library

import casebase
from casebase import places
from casebase.match.facets.symptoms import has_story
from casebase.match.index.building import IndexBuilder, empty_index
from casebase.match.index.files import Stamp, append, read_index
from casebase.match.index.match_index import INDEX_VERSION, Index
from casebase.match.meaning import filled_profiles, meanings_of, profile_to_compare
from casebase.match.profile import Profile, ReadingTrait
from casebase.match.text.embedder import Embedder, open_embedder
from casebase.record.case import Case

BASE_CASES: Final = 3000
JOBS: Final = 40
AT_ONCE: Final = 50_000
"""Cases added to an index file together."""

MODELS_MORE: Final = 40
"""Each invented model stands for so many of a larger fleet, the first ones the most usual."""

SHOPS: Final = 2000
FIRST_DAY: Final = date(2016, 1, 1)
DAYS: Final = 3650

READINGS_KEPT, CODES_KEPT, LAMPS_KEPT, SILENT_KEPT = 0.85, 0.8, 0.8, 0.85
CODES_MORE, LAMPS_MORE, SILENT_MORE = 0.15, 0.1, 0.05
"""Chance that a trait stays, and that one of another case comes in."""

NOISE: Final = (0.2, 0.7)

ONLY_A_STORY: Final = "only a story"
PARTS_MISSING: Final = ("no readings", "one reading", "no story", ONLY_A_STORY)

Item = TypeVar("Item")


@dataclass(frozen=True)
class Base:
    """The profiles that all others are made from, the jobs as they are and with parts missing, the text model."""

    profiles: Sequence[Profile]
    jobs: Mapping[str, Sequence[Profile]]
    text: str
    dimensions: int


def base() -> Base:
    """Return the profiles of the synthetic world; made once, which takes some minutes."""
    key = f"{BASE_CASES} {JOBS} {INDEX_VERSION}"
    return kept(
        "scaled-base",
        _sources("record", "bus") + _sources("match", most="filling meaning profile"),
        key,
        _base,
    )


def _base() -> Base:
    embedder = open_embedder(places.text_model_folder())
    buses = places.simulation_folder()
    library = synthetic_library(BASE_CASES)
    profiles = list(filled_profiles(((str(case.id), case) for case in library), buses, embedder))
    jobs = [one.job for one in held_out_jobs(JOBS, library=library)]
    asked = {"": jobs, **{what: [_without(job, what) for job in jobs] for what in PARTS_MISSING}}
    filled = {what: [_filled(job, embedder) for job in some] for what, some in asked.items()}
    return Base(profiles, filled, embedder.identity, embedder.dimensions)


def _filled(job: Case, embedder: Embedder) -> Profile:
    return profile_to_compare(job, meanings_of(job, places.simulation_folder(), most_tests=0), embedder)


def _without(job: Case, what: str) -> Case:
    if what != ONLY_A_STORY:
        return parts_missing(job, what)
    nothing = {"readings": [], "codes": [], "modules": [], "lamps": [], "conditions": [], "networks": []}
    return job.model_copy(update=nothing)


# --- changed profiles ---------------------------------------------------------------------------------------------


class Varied:
    """Changes profiles, the same way on every run."""

    def __init__(self, profiles: Sequence[Profile], seed: int) -> None:
        self._profiles = profiles
        self._chance = random.Random(seed)
        self._noise = np.random.default_rng(seed)

    def profiles(self) -> Iterator[Profile]:
        """Yield profiles without end."""
        number = 0
        while True:
            yield self._varied(number)
            number += 1

    def on_the_road(self, profile: Profile) -> Profile:
        """Return the profile on another vehicle of the larger fleet."""
        like = self._chance.choice((profile, self._chance.choice(self._profiles)))
        more = int(self._chance.random() ** 2 * MODELS_MORE)
        return replace(
            profile,
            make=like.make,
            model=f"{like.model} {more}" if more else like.model,
            platform=like.platform and f"{like.platform}{more // 4 or ''}",
            model_year=like.model_year and like.model_year + self._chance.randint(-1, 1),
        )

    def _varied(self, number: int) -> Profile:
        chance = self._chance
        one, other = chance.choice(self._profiles), chance.choice(self._profiles)
        return replace(
            self.on_the_road(one),
            case_id=f"scaled-{number}",
            shop=f"Shop {int(chance.random() ** 2 * SHOPS)}",
            dated=(FIRST_DAY + timedelta(chance.randrange(DAYS))).isoformat(),
            readings=tuple(self._moved(reading) for reading in self._some(one.readings, READINGS_KEPT)),
            codes=self._some(one.codes, CODES_KEPT) + self._some(other.codes, CODES_MORE),
            lamps=self._some(one.lamps, LAMPS_KEPT) + self._some(other.lamps, LAMPS_MORE),
            conditions=self._some(one.conditions, LAMPS_KEPT) + self._some(other.conditions, LAMPS_MORE),
            silent=dict(
                self._some(tuple(one.silent.items()), SILENT_KEPT)
                + self._some(tuple(other.silent.items()), SILENT_MORE)
            ),
            meaning={medium: self._sharper(shares) for medium, shares in one.meaning.items()},
            vector=self._retold(one.vector),
        )

    def _some(self, items: tuple[Item, ...], share: float) -> tuple[Item, ...]:
        return tuple(item for item in items if self._chance.random() < share)

    def _moved(self, reading: ReadingTrait) -> ReadingTrait:
        if reading.number is None:
            return reading
        return replace(reading, number=reading.number * self._chance.uniform(0.95, 1.05))

    def _sharper(self, shares: Mapping[str, float]) -> dict[str, float]:
        """Return a posterior a little sharper or flatter."""
        power = self._chance.uniform(0.6, 1.6)
        raised = {state: share**power for state, share in shares.items()}
        whole = sum(raised.values())
        return {state: share / whole for state, share in raised.items()}

    def _retold(self, vector: NDArray[np.float32] | None) -> NDArray[np.float32] | None:
        if vector is None or not has_story(vector):
            return vector
        noise = self._noise.standard_normal(len(vector), dtype=np.float32) / np.sqrt(len(vector))
        changed = vector + np.float32(self._chance.uniform(*NOISE)) * noise
        return np.asarray(changed / np.linalg.norm(changed), dtype=np.float32)


# --- kept as an index ---------------------------------------------------------------------------------------------


def jobs_of(whole: Base, what: str = "") -> list[Profile]:
    """Return the jobs, on vehicles of the larger fleet; `what` is one of `PARTS_MISSING`, or "" for the whole job."""
    varied = Varied(whole.profiles, seed=2)
    return [varied.on_the_road(job) for job in whole.jobs[what]]


def index_of_size(whole: Base, count: int) -> tuple[Index, Path]:
    """Return an index of `count` cases, mapped into memory from its folder, and that folder."""
    folder = folder_of_size(whole, count)
    if not folder.exists():
        unfinished = Path(tempfile.mkdtemp(prefix=f"{folder.name}-", dir=folder.parent))
        write_index(unfinished, whole, islice(Varied(whole.profiles, seed=1).profiles(), count))
        try:
            unfinished.rename(folder)
        except OSError:  # another process was first
            shutil.rmtree(unfinished)
    return opened(folder), folder


def folder_of_size(whole: Base, count: int) -> Path:
    """Return the folder in which the index of `count` cases is kept."""
    names = "arrays filling index parts profile reading rarity scales traits facet meaning"
    content = b"".join(path.read_bytes() for path in (Path(__file__), *_sources("match", most=names)))
    digest = hashlib.sha256(content + f"{INDEX_VERSION} {whole.text}".encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"scaled-index-{count}-{digest}"


def write_index(folder: Path, whole: Base, profiles: Iterator[Profile], at_once: int = AT_ONCE) -> None:
    """Write an index of the profiles given, many at a time."""
    index = empty_index(whole.dimensions, whole.text)
    while some := list(islice(profiles, at_once)):
        builder = IndexBuilder(index)
        for number, profile in enumerate(some, start=len(index) + 1):
            builder.add(number, profile)
        append(folder, builder.finished(), index, Stamp("scaled", whole.text, whole.dimensions))
        index = opened(folder)


def opened(folder: Path) -> Index:
    """Return the index in a folder."""
    found = read_index(folder)
    if found is None:
        raise SystemExit(f"{folder}: no index of this version: remove the folder")
    return found[0]


def _sources(folder: str, most: str = "") -> list[Path]:
    """Return the files of one folder of casebase; `most` names beginnings or endings of those wanted."""
    found = sorted((Path(casebase.__file__).parent / folder).glob("*.py"))
    wanted = most.split()
    return [
        path
        for path in found
        if not wanted or any(path.stem.startswith(word) or path.stem.endswith(word) for word in wanted)
    ]
