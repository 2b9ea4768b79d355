"""Questions that stand open are told of a later case that explains them well; once, with reasons, and else nothing."""

from datetime import date
from pathlib import Path

import pytest

from casebase import places
from casebase.errors import LibraryError
from casebase.library.matching import Means
from casebase.library.news import (
    What,
    leftover_as_job,
    mark_read,
    news_in,
    open_questions,
    proven_cases,
    shareable,
)
from casebase.library.news_search import not_examined, search_news
from casebase.library.reviews import Said, say
from casebase.match.evaluation.asking import as_stuck_job
from casebase.match.profile_of_case import profile_of
from casebase.record.loading import load_file
from casebase.record.vocabulary import Fault, Stage

DEMO_FOLDER = Path(__file__).parents[2] / "demo_cases"
JOB = DEMO_FOLDER / "jobs" / "t2-velin-heavy-steering-high-reading-on-can-high.yaml"
ITS_TWIN = DEMO_FOLDER / "t2-velin-steering-rack-driver-stuck-dominant.yaml"
OTHER = DEMO_FOLDER / "t2-solenne-climate-lin-no-pull-up.yaml"


@pytest.fixture(scope="module")
def means():
    """Simulated buses, without the text model: readings and codes are enough here."""
    return Means(places.simulation_folder())


def log(library, path, **changes):
    """Log one record of a file, changed as told, and return its ID."""
    case = load_file(path)[0].model_copy(update=changes)
    return library.log([case])[0].case_id


@pytest.fixture
def answered(library, means):
    """A library with an open job, and the case logged after it that explains it: both IDs."""
    job = log(library, JOB)
    twin = log(library, ITS_TWIN)
    search_news(library, means)
    return job, twin


@pytest.mark.slow
def test_an_open_job_is_told_of_the_case_that_explains_it(library, answered):
    """With the likeness, the probability of its cause, and what agrees in words."""
    job, twin = answered
    (news,) = news_in(library)
    assert (news.open_case, news.new_case, news.what) == (job, twin, "open job")
    assert news.score > 0.65
    assert news.probability > 0.8
    assert any("driver stuck dominant" in reason for reason in news.agree)
    assert news.sent_by == ""


@pytest.mark.slow
def test_nothing_is_told_twice(library, answered, means):
    """Neither by looking again, nor when the case that explains it is revised."""
    _, twin = answered
    assert search_news(library, means) == []
    log(library, ITS_TWIN, id=twin, note="The part number was written down.")
    assert search_news(library, means) == []
    assert len(news_in(library)) == 1


def test_an_unlike_case_is_no_news(library, means):
    """Quiet unless a case explains the question well."""
    log(library, JOB)
    log(library, OTHER)
    assert search_news(library, means) == []
    assert news_in(library) == []


def test_a_case_that_was_there_before_the_question_is_no_news(library, means):
    """Whoever opens a job asks what there is; news is of what came later."""
    log(library, ITS_TWIN)
    log(library, JOB)
    assert search_news(library, means) == []


@pytest.mark.slow
def test_a_case_without_proof_explains_nothing(library, means):
    """A guess answers no question."""
    log(library, JOB)
    twin = load_file(ITS_TWIN)[0]
    log(library, ITS_TWIN, cause=twin.cause.model_copy(update={"proof": None}))
    assert not not_examined(library).proven
    assert search_news(library, means) == []


@pytest.mark.slow
def test_a_case_whose_cause_is_proven_by_a_later_revision_is_news(library, means):
    """The solved job was logged before the question, its proof after it."""
    solved = load_file(ITS_TWIN)[0]
    twin = library.log([as_stuck_job(solved)])[0].case_id
    job = log(library, JOB)
    library.log([solved.model_copy(update={"id": twin})])
    search_news(library, means)
    assert [(one.open_case, one.new_case) for one in news_in(library)] == [(job, twin)]


@pytest.mark.slow
def test_a_better_case_that_was_there_already_leaves_nothing_to_tell(library, means):
    """The new one has to beat what the technician could find before."""
    log(library, ITS_TWIN)
    job = log(library, JOB)
    solved = load_file(ITS_TWIN)[0]
    worse = solved.model_copy(update={"readings": solved.readings[:1], "codes": solved.codes[:1]})
    library.log([worse])
    search_news(library, means)
    assert [one.new_case for one in news_in(library) if one.open_case == job] == []


@pytest.mark.slow
def test_a_later_case_of_the_same_vehicle_is_no_news(library, means):
    """Its technician knows."""
    vin = "1M8GDM9AXKP042788"  # check digit example of 49 CFR 565.15
    job, solved = load_file(JOB)[0], load_file(ITS_TWIN)[0]
    library.log([job.model_copy(update={"vehicle": job.vehicle.model_copy(update={"vin": vin})})])
    library.log([solved.model_copy(update={"vehicle": solved.vehicle.model_copy(update={"vin": vin})})])
    assert search_news(library, means) == []


def test_a_job_not_fixed_and_a_cause_not_proven_are_questions_too(library, means, make_case):
    """As is what was left over of a fixed job."""
    log(
        library, JOB, provenance=load_file(JOB)[0].provenance.model_copy(update={"ended": date(2026, 11, 20)})
    )
    fixed = {"fix": {"done": "Plug cleaned."}, "provenance": {"ended": "2026-11-20"}}
    library.log([make_case(**fixed, cause={"fault": "low_open"}, leftover="U0121 came back once.")])
    with library.reading() as db:
        found = [one.what for one in open_questions(db)]
    assert found == [What.NOT_FIXED, What.NOT_PROVEN, What.LEFTOVER]


@pytest.mark.slow
def test_the_guess_of_a_cause_is_no_evidence(library, means):
    """A question counts as it stood before anybody thought of a cause."""
    solved = load_file(ITS_TWIN)[0]
    guess = solved.cause.model_copy(update={"proof": None, "fault": Fault.LOW_OPEN})
    vehicle = solved.vehicle.model_copy(update={"odometer": None})
    question = log(library, ITS_TWIN, cause=guess, vehicle=vehicle)
    twin = log(library, ITS_TWIN)
    search_news(library, means)
    assert [(one.open_case, one.new_case, one.what) for one in news_in(library)] == [
        (question, twin, "cause not proven")
    ]


@pytest.mark.slow
def test_read_news_is_not_told_again(library, answered):
    """It stays to be looked up."""
    job, _ = answered
    assert mark_read(library, job[:6]) == 1
    assert news_in(library) == []
    assert news_in(library, every=True)[0].read_at is not None
    assert mark_read(library) == 0


@pytest.mark.slow
def test_a_case_without_news_cannot_be_read(library, answered):
    """The sentence says where to look."""
    other = log(library, OTHER)
    with pytest.raises(LibraryError, match="no news of it"):
        mark_read(library, other)


@pytest.mark.slow
def test_a_question_that_was_answered_is_no_news_any_more(library, answered):
    """The job was finished and verified."""
    job, _ = answered
    solved = load_file(ITS_TWIN)[0]
    parts = {part: getattr(solved, part) for part in ("cause", "fix", "verification", "readings")}
    log(library, JOB, id=job, provenance=solved.provenance, **parts)
    assert news_in(library, every=True) == []


@pytest.mark.slow
@pytest.mark.parametrize("said", [Said.RETURNED, Said.WITHDRAWN])
def test_a_case_taken_back_explains_nothing(library, answered, means, said):
    """What the shop lead does not stand by is told no more."""
    _, twin = answered
    say(library, twin, said, "ingrid", "the proof is missing")
    assert news_in(library, every=True) == []


@pytest.mark.slow
def test_a_returned_case_is_told_once_it_is_agreed_to(library, means):
    """It was logged, returned before anybody looked, and agreed to later."""
    job, twin = log(library, JOB), log(library, ITS_TWIN)
    say(library, twin, Said.RETURNED, "ingrid", "which wire?")
    assert search_news(library, means) == []
    say(library, twin, Said.AGREED, "ingrid")
    search_news(library, means, [twin])
    assert [one.open_case for one in news_in(library)] == [job]


@pytest.mark.slow
def test_a_merged_question_is_asked_no_more(library, answered):
    """It stands in another case."""
    job, twin = answered
    say(library, job, Said.MERGED, "ingrid", other=twin)
    assert news_in(library, every=True) == []


@pytest.mark.slow
def test_an_imported_case_says_who_sent_it(library, answered):
    """The technician knows whom to ask."""
    _, twin = answered
    with library.changing() as db:
        db.execute("INSERT INTO sources (name, weight) VALUES ('Workshop North', 1.0)")
        db.execute(
            "INSERT INTO taken_in (case_id, source, their_id, their_revision, sha256, at)"
            " VALUES (?, 'Workshop North', ?, 1, '', '2026-11-25')",
            (twin, twin),
        )
    assert news_in(library)[0].sent_by == "Workshop North"


@pytest.mark.slow
def test_questions_of_other_shops_are_not_asked_here(library, answered):
    """They are asked where they arose."""
    job, _ = answered
    with library.changing() as db:
        db.execute("INSERT INTO sources (name, weight) VALUES ('Workshop North', 1.0)")
        db.execute(
            "INSERT INTO taken_in (case_id, source, their_id, their_revision, sha256, at)"
            " VALUES (?, 'Workshop North', ?, 1, '', '2026-11-25')",
            (job, job),
        )
        assert open_questions(db) == []


def test_a_leftover_asks_by_its_own_words_and_codes(make_case):
    """Not by the codes, readings and silent modules of the fault that was fixed."""
    codes = [{"module": "ECM", "code": "U0121-87"}, {"module": "BCM", "code": "U0155"}]
    case = make_case(codes=codes, leftover="U0155 and C0040 come back on wet days.")
    asked = profile_of(leftover_as_job(case, case.leftover), "left")
    assert [code.base for code in asked.codes] == ["U0155", "C0040"]
    assert asked.story == "U0155 and C0040 come back on wet days."
    assert (asked.readings, asked.silent, asked.fault) == ((), {}, None)


@pytest.mark.slow
def test_a_leftover_asks_by_what_was_read_after_the_repair(library, means):
    """The bus still reads as it does in a case that comes later: that explains what was left over."""
    solved, fixed = load_file(ITS_TWIN)[0], load_file(OTHER)[0]
    after = [
        reading.model_copy(update={"stage": Stage.AFTER_REPAIR})
        for reading in solved.readings
        if reading.stage is Stage.AS_FOUND
    ]
    question = log(
        library,
        OTHER,
        vehicle=solved.vehicle.model_copy(update={"odometer": None}),
        networks=solved.networks,
        readings=after,
        leftover=f"{solved.codes[0].code.base} stays. {solved.concern}",
        cause=fixed.cause.model_copy(update={"network": None}),
    )
    twin = log(library, ITS_TWIN)
    search_news(library, means)
    assert [(one.open_case, one.new_case, one.what) for one in news_in(library)] == [
        (question, twin, "leftover")
    ]


def test_a_leftover_is_held_only_against_cases_that_share_a_code_or_the_module_at_fault(make_case):
    """Its words alone tell too little."""
    leftover = "The ABS still logs U0121 now and then."
    same_code = make_case(cause={"fault": "low_open", "module": "BCM", "proof": "seen"})
    same_module = make_case(codes=[], cause={"fault": "low_open", "module": "ABS", "proof": "seen"})
    neither = make_case(codes=[], cause={"fault": "low_open", "module": "BCM", "proof": "seen"})
    told = [
        shareable([profile_of(past, "past")]).is_named_in(leftover)
        for past in (same_code, same_module, neither)
    ]
    assert told == [True, True, False]


@pytest.mark.slow
def test_only_what_arrived_since_the_last_look_is_looked_at(library, answered):
    """However large the library is."""
    assert not_examined(library).proven == []
    with library.reading() as db:
        assert len(proven_cases(db, 0, 10)) == 1
