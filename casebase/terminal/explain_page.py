"""One pair of cases on the screen: every facet, how alike, how much it counted, what agreed and what differed."""

from __future__ import annotations

from typing import Final

from casebase.match.ranking import FacetScore, Match
from casebase.terminal.page import Page

FACET_WORDS: Final = {
    "meaning": "what the readings mean",
    "readings": "the readings themselves",
    "silence": "silent and blamed modules",
    "symptoms": "lamps, conditions, the story",
    "network": "the network",
    "codes": "the codes",
    "vehicle": "the vehicle",
    "comparable": "readings that can be compared",
}


def print_explained(match: Match, page: Page) -> None:
    """Print a comparison facet by facet, and how the score follows."""
    page.heading(f"{match.profile.title} ({match.profile.case_id})")
    for name, facet in match.facets.items():
        _print_facet(name, facet, page)
    told = [facet for facet in match.facets.values() if facet.likeness is not None]
    mean = sum(facet.weight * (facet.likeness or 0.0) for facet in told)
    page.heading(f"Likeness {match.score:.2f}")
    page.line(
        f"The mean of the likenesses by their shares is {mean:.2f}. It is multiplied by {match.tempering:.2f}, because"
        f" {_how_much(match.tempering)} of what the job tells can be compared with this case.",
        2,
    )


def _print_facet(name: str, facet: FacetScore, page: Page) -> None:
    words = FACET_WORDS.get(name, name)
    if facet.likeness is None:
        page.line(f"{words}: not known on both sides, so it counts for nothing", 2, 4)
        return
    page.line(f"{words}: likeness {facet.likeness:.2f}, share of the score {facet.weight:.0%}", 2, 4)
    page.bullets("alike", facet.compared.agree, 4)
    page.bullets("differs", facet.compared.differ, 4)


def _how_much(tempering: float) -> str:
    return "all" if tempering >= 0.995 else f"{tempering**2:.0%}"
