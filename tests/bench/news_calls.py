"""How often news is told, and how often rightly: Markdown tables, per threshold.

python tests/bench/news_calls.py [demo] [fleet] [left] [--questions 400]

Each solved case is asked again as an open job (what came after the search hidden), and all other cases arrive as new.
A call is told where the proven case nearest to the question passes both thresholds. It is right where that case is of
the same fault at the same kind of place. Found is the share of questions with a right proven case that got a right
call. `fleet` asks cases of a simulated library of 3000, and the same questions where only 50, 200 or 800 of its cases,
drawn from a fixed seed, have arrived: then a right case is often not there, and silence is the right answer.
`left` holds every leftover of the demonstration against all its proven cases, and asks cases of the fleet by nothing
but one of their codes and a sentence, as leftovers do.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "match"))

import numpy as np
from in_memory import collection_of
from matching_cases import TEXT, Asked, Library, Lot, demo_left_out, demo_library, left_out, library_of

from casebase import places
from casebase.library.news import leftover_as_job, shareable
from casebase.match.answer.explanation import LIKE_FROM, PROBABLE_FROM, best_explanation, proves_a_fault
from casebase.match.evaluation.metrics import share_of
from casebase.match.evaluation.questions import same_fault_same_kind_of_place
from casebase.match.index.collection import Collection
from casebase.match.meaning import meanings_of, profile_to_compare
from casebase.match.profile import Profile
from casebase.match.text.embedder import Embedder, open_embedder
from casebase.record.case import Case

WHAT: Final = ("demo", "fleet", "left")
ARRIVED: Final = (50, 200, 800)
TOGETHER: Final = 20
"""Questions put to the same cases that arrived: making their index takes longer than asking."""

THRESHOLDS: Final = [
    (like, probable) for like in (0.55, 0.65, 0.75) for probable in (0.5, 0.6, 0.7, 0.8, 0.9)
]


@dataclass(frozen=True)
class Answer:
    """What one question came to: likeness and probability (0 without an answer), right or not, whether it could be."""

    score: float
    probability: float
    right: bool
    answerable: bool


def answer(one: Asked, collection: Collection, pasts: Iterable[Profile]) -> Answer:
    """Put one question to the cases that arrived."""
    job_id = one.truth.case_id
    answerable = any(
        past.case_id != job_id and proves_a_fault(past) and same_fault_same_kind_of_place(one.truth, past)
        for past in pasts
    )
    found = best_explanation(_named(one), collection)
    if found is None:
        return Answer(0.0, 0.0, False, answerable)
    right = same_fault_same_kind_of_place(one.truth, found.match.profile)
    return Answer(found.match.score, found.probability, right, answerable)


def _named(one: Asked) -> Profile:
    return replace(one.stuck, case_id=one.truth.case_id)


def table(answers: Sequence[Answer]) -> None:
    """Print calls, right and false ones and what was found, for every pair of thresholds."""
    answerable = sum(one.answerable for one in answers)
    print(
        f"{len(answers)} questions, {answerable} of them with a right proven case among those that arrived.\n"
    )
    print("| likeness from | probability from | calls | right | false | right of calls (95 %) | found |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for like, probable in THRESHOLDS:
        calls = [one.right for one in answers if one.score >= like and one.probability >= probable]
        right, bold = sum(calls), "**" if (like, probable) == (LIKE_FROM, PROBABLE_FROM) else ""
        print(
            f"| {bold}{like:.2f}{bold} | {bold}{probable:.2f}{bold} | {len(calls)} | {right} | {len(calls) - right}"
            f" | {_share(calls)} | {right / answerable if answerable else 0:.2f} |"
        )
    print()


def _share(calls: Sequence[bool]) -> str:
    if not calls:
        return "-"
    share = share_of(np.array(calls))
    return f"{share.value:.2f} ({share.low:.2f} to {share.high:.2f})"


def demo() -> None:
    """Print the figures of the demonstration library."""
    print("### The demonstration's solved cases, each asked again\n")
    library = demo_library()
    table([answer(one, library.collection, library.pasts) for one in demo_left_out(library)])


def fleet(questions: int) -> None:
    """Print the figures of a simulated fleet, with all cases arrived and with some of them."""
    lot = Lot()
    library = library_of(lot)
    asked = left_out(lot, library, questions)
    print(f"### A simulated fleet, all {len(library.pasts) - 1} other cases arrived\n")
    table([answer(one, library.collection, library.pasts) for one in asked])
    chance = random.Random(1)
    for count in ARRIVED:
        print(f"### The same questions, {count} cases arrived\n")
        answers: list[Answer] = []
        for begin in range(0, len(asked), TOGETHER):
            some = chance.sample(library.pasts, count)
            arrived = collection_of(some, TEXT, _dimensions(some))
            answers += [answer(one, arrived, some) for one in asked[begin : begin + TOGETHER]]
        table(answers)


def _dimensions(profiles: Iterable[Profile]) -> int:
    return next(len(one.vector) for one in profiles if one.vector is not None)


def left(questions: int) -> None:
    """Print what leftovers of the demonstration come near to, and what a code with a sentence alone would bring."""
    print("### Leftovers of the demonstration\n")
    library = demo_library()
    print("| leftover | proven cases with its code or module | likeness | probability |")
    print("| --- | --- | --- | --- |")
    for case in library.cases:
        if case.leftover is None:
            continue
        proven = [past for past in library.pasts if proves_a_fault(past) and past.case_id != case.id]
        shares = sum(shareable([past]).is_named_in(case.leftover) for past in proven)
        found = best_explanation(_left(case, case.leftover), library.collection)
        told = f"{found.match.score:.2f} | {found.probability:.2f}" if found else "- | not the likeliest"
        print(f"| {case.leftover.split('.')[0][:70].strip()} | {shares} | {told} |")
    print("\n### A simulated fleet: one code of a case and one sentence of its story as the leftover\n")
    lot = Lot()
    fleet_library = library_of(lot)
    asked = [one for one in left_out(lot, fleet_library, questions) if one.job.codes and one.job.concern]
    table([_answer_to_a_leftover(one, fleet_library) for one in asked])


def _answer_to_a_leftover(one: Asked, library: Library) -> Answer:
    job = one.job
    entry = job.codes[len(one.truth.case_id + str(job.concern)) % len(job.codes)]
    told = (job.symptoms or [str(job.concern)])[0]
    where = f" in the {entry.module}" if entry.module else ""
    words = f"{entry.code.base}{where} comes back. {told}"
    return answer(replace(one, stuck=_left(job, words)), library.collection, library.pasts)


def _left(case: Case, leftover: str) -> Profile:
    job = leftover_as_job(case, leftover)
    return profile_to_compare(
        job, meanings_of(job, places.simulation_folder(), most_tests=0, rough=True), _embedder()
    )


@cache
def _embedder() -> Embedder:
    return open_embedder(places.text_model_folder())


def main(wanted: Sequence[str], questions: int) -> None:
    """Print the tables wanted."""
    if "demo" in wanted:
        demo()
    if "fleet" in wanted:
        fleet(questions)
    if "left" in wanted:
        left(questions)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="How often news is told, and how often rightly.")
    parser.add_argument("what", nargs="*", choices=[*WHAT, []], default=[])
    parser.add_argument("--questions", type=int, default=400)
    given = parser.parse_args()
    main(given.what or WHAT, given.questions)
