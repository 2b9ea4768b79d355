"""The same attributes put to cbrkit, as far as it goes: its own similarity functions wherever it has one that fits.

A case is a mapping of attributes. cbrkit compares attribute by attribute and pools with weights; whatever a case does
not tell is left out of the mapping that a similarity function returns, so that unknown does not count there either. Set
likeness is its Jaccard function, years and readings its linear function, names and words its equality; a posterior and
a story vector are compared by a dot product, which is ours, because cbrkit has none. Grades between related codes, kin
among modules, states of a reading (powered, unplugged ...), rarity and tempering are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from importlib.metadata import version
from typing import Any, Final

import cbrkit  # type: ignore[import-untyped]
import numpy as np

from casebase.match.facets.measure import WEIGHTS
from casebase.match.facets.symptoms import has_story
from casebase.match.profile import Profile, affected_networks, readings_compared
from casebase.record.vocabulary import BusState

VERSION: Final = version("cbrkit")

Attributes = dict[str, Any]
Pair = Callable[[Any, Any], float]

_READINGS: Final = 4
"""The first readings of a job are attributes of their own: cbrkit compares what stands under one name."""

_SHARES: Final = {
    "make": ("vehicle", 0.2),
    "model": ("vehicle", 0.5),
    "year": ("vehicle", 0.3),
    "medium": ("network", 1.0),
    "codes": ("codes", 1.0),
    "silent": ("silence", 0.5),
    "blamed": ("silence", 0.5),
    "lamps": ("symptoms", 0.35),
    "conditions": ("symptoms", 0.25),
    "story": ("symptoms", 0.4),
    "posterior": ("meaning", 1.0),
}


def attributes_of(profile: Profile) -> Attributes:
    """Return a case as attributes; None and nothing at all are unknown."""
    media = [network.medium for network in affected_networks(profile)]
    return {
        "make": profile.make,
        "model": profile.model,
        "year": profile.model_year,
        "medium": media[0] if media else None,
        "codes": frozenset(code.base for code in profile.codes),
        "silent": frozenset(profile.silent),
        "blamed": frozenset(code.about for code in profile.codes if code.about),
        "lamps": frozenset(profile.lamps),
        "conditions": frozenset(profile.conditions),
        "story": profile.vector if has_story(profile.vector) else None,
        "posterior": _posterior(profile),
        "readings": _readings_by_kind(profile),
    }


def first_of_all(cases: Mapping[int, Attributes], job: Attributes, most: int) -> list[int]:
    """Return the keys of the cases most like a job, best first."""
    job = {name: value for name, value in job.items() if name == "readings" or _is_known(value)}
    readings = list(job.pop("readings").items())[:_READINGS]
    pairs = {name: pair for name, pair in _pairs().items() if name in job}
    functions: dict[str, Any] = {name: _where_known(pair) for name, pair in pairs.items()}
    weights = {name: WEIGHTS[facet] * share for name, (facet, share) in _SHARES.items()}
    for place, (kind, number) in enumerate(readings):
        functions[f"reading {place}"] = _of_kind(kind, number)
        weights[f"reading {place}"] = WEIGHTS["readings"] / len(readings)
        job[f"reading {place}"] = number
    retriever = cbrkit.retrieval.build(
        cbrkit.sim.attribute_value(
            attributes=functions,
            aggregator=cbrkit.sim.aggregator("fmean", weights),
            value_getter=_value,
        ),
        limit=most,
    )
    return list(cbrkit.retrieval.apply(cases, job, retriever).ranking)


def _pairs() -> dict[str, Pair]:
    same, sets = cbrkit.sim.generic.equality(), cbrkit.sim.collections.jaccard()
    return {
        "make": same,
        "model": same,
        "year": cbrkit.sim.numbers.linear(max=10),
        "medium": same,
        **dict.fromkeys(("codes", "silent", "blamed", "lamps", "conditions"), sets),
        "story": np.dot,
        "posterior": np.dot,
    }


def _where_known(pair: Pair) -> Callable[[Any, Any], dict[Any, float]]:
    """Return a function of many cases that leaves out those that do not tell."""

    def of_many(x_map: Mapping[Any, Any], y: Any) -> dict[Any, float]:
        return {key: float(pair(x, y)) for key, x in x_map.items() if _is_known(x)}

    return of_many


def _of_kind(kind: Any, number: float) -> Callable[[Any, Any], dict[Any, float]]:
    """Return a function of many cases that compares their reading of one kind: linear, nought at twice the value."""
    pair = cbrkit.sim.numbers.linear(max=max(abs(number), 0.5))

    def of_many(x_map: Mapping[Any, Any], y: Any) -> dict[Any, float]:
        return {key: pair(x[kind], y) for key, x in x_map.items() if kind in x}

    return of_many


def _value(case: Mapping[str, Any], name: str) -> Any:
    return case[name] if name in case else case["readings"]


def _is_known(value: Any) -> bool:
    return value is not None and len(value) > 0 if isinstance(value, Iterable) else value is not None


def _posterior(profile: Profile) -> Any:
    """Return the square roots of the shares of the least healthy bus."""
    shares = min(profile.meaning.values(), key=lambda each: each.get("healthy", 0.0), default=None)
    return None if shares is None else np.sqrt([shares.get(str(state), 0.0) for state in BusState])


def _readings_by_kind(profile: Profile) -> dict[Any, float]:
    return {
        (reading.quantity, reading.lines, reading.place): reading.number
        for reading in readings_compared(profile)
        if reading.number is not None
    }
