"""The first screen of an answer: it fits, it says what it must, and nothing that can hurt is cut."""

import io

import pytest
from rich.console import Console

from casebase import places
from casebase.match.answer.glance import glance_at
from casebase.match.answer.words import needs_words
from casebase.match.answer.working_out import answer_to
from casebase.match.meaning import filled_profiles
from casebase.record.cautions import BRAKES_OR_STEERING
from casebase.terminal.glance import MOST_LINES, print_glance
from casebase.terminal.page import Page
from tests.match.in_memory import collection_of

pytestmark = pytest.mark.slow

AGAIN = "casebase similar job.yaml --full"


@pytest.fixture(scope="module")
def answers(demo_cases, demo_jobs, simulated_buses):
    """What is said to every job of the demonstration."""
    folder = places.simulation_folder()
    collection = collection_of(filled_profiles(demo_cases.items(), folder, None))
    return [answer_to(job, collection, 5, folder, None) for job in demo_jobs.values()]


def screen_of(answer, width):
    """Return what a terminal of that width shows, in lines."""
    console = Console(file=io.StringIO(), width=width, highlight=False)
    print_glance(answer, Page(console), AGAIN)
    return console.file.getvalue().splitlines()


def test_every_answer_fits_25_lines_of_80_columns(answers):
    """Verdict first, then the test, the causes, the cases, is it normal; the way to all of it last."""
    for answer in answers:
        lines = screen_of(answer, 80)
        assert len(lines) <= MOST_LINES == 25
        assert max(map(len, lines)) <= 80
        starts = [
            next(place for place, line in enumerate(lines) if line.startswith(begun))
            for begun in (
                "Do this next: ",
                "Likely causes",
                "Cases like this one",
                "Normal here?",
                "All of it: ",
            )
        ]
        assert starts == sorted(starts)
        assert lines[0].startswith(glance_at(answer).verdict[:40])
        assert lines[-1] == f"All of it: {AGAIN}"


@pytest.mark.parametrize("width", [40, 80, 110])
def test_verdict_next_test_and_cautions_are_never_cut(answers, width):
    """However narrow: what somebody does with his hands stands there whole."""
    for answer in answers:
        shown, glance = " ".join(" ".join(screen_of(answer, width)).split()), glance_at(answer)
        whole = [glance.verdict, glance.next_test.words, needs_words(glance.next_test), *glance.outcomes]
        for text in (*whole, *glance.cautions):
            assert " ".join(text.split()) in shown
        assert (BRAKES_OR_STEERING in shown) == (BRAKES_OR_STEERING in answer.cautions)
