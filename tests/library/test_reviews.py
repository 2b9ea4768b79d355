"""The shop lead's words: each of one revision, kept with who and when; only agreed records are published."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest

from casebase.errors import LibraryError
from casebase.library.review_queue import clashes_in, completeness_of, missing_in
from casebase.library.reviews import Said, said_of, say, standings
from casebase.library.store import Library
from casebase.publish.publication import newer_than_agreed
from casebase.record.loading import case_from_data, load_file, record_files
from casebase.record.words import title_of

DEMO_FOLDER = Path(__file__).parents[2] / "demo_cases"
CAUSE = {"fault": "low_open", "proof": "seen"}


def bare(**keys):
    """Return a record of which only these keys are told."""
    vehicle = {"make": "Norrvik", "model": "Fjellet"}
    return case_from_data({"kind": "fault case", "vehicle": vehicle, "concern": "lamps on"} | keys, "a test")


@pytest.fixture
def logged(library, make_case):
    """A function that logs a record that has ended, and returns its ID."""

    def log(**keys):
        case = make_case(**({"provenance": {"ended": "2026-11-20"}, "cause": CAUSE} | keys))
        return library.log([case])[0].case_id

    return log


def standing(library, case_id):
    """Return where a case stands."""
    with library.reading() as db:
        return standings(db, [library.get(case_id)])[case_id]


def test_a_new_record_waits_and_is_not_published(library, logged):
    """Until somebody has read it."""
    case_id = logged()
    assert standing(library, case_id).said is Said.WAITS
    assert library.read_and_agreed() == []


def test_a_case_into_which_another_was_merged_is_not_withdrawn_with_it(library, logged):
    """What the other told would be nowhere; once that one has another word, it can be."""
    stays, told_twice = logged(), logged(symptoms=["chimes"])
    say(library, told_twice, Said.MERGED, "ingrid", None, stays)
    with pytest.raises(LibraryError, match=f"case {told_twice} was merged into it"):
        say(library, stays, Said.WITHDRAWN, "ingrid", "wrong vehicle")
    say(library, told_twice, Said.AGREED, "ingrid")
    assert say(library, stays, Said.WITHDRAWN, "ingrid", "wrong vehicle").said is Said.WITHDRAWN


def test_an_agreed_record_is_published(library, logged):
    """The word is kept with who said it and when."""
    case_id = logged()
    told = say(library, case_id, Said.AGREED, "ingrid")
    assert (told.said, told.by) == (Said.AGREED, "ingrid")
    assert told.at is not None
    assert [kept.case_id for kept in library.read_and_agreed()] == [case_id]


def test_a_revision_after_the_word_waits_again(library, logged, make_case):
    """What was agreed to is not what stands there now, and stays published until that is agreed to as well."""
    case_id = logged()
    say(library, case_id, Said.AGREED, "ingrid")
    kept = library.get(case_id)
    changed = kept.case.model_copy(update={"id": case_id, "revision": 1, "leftover": "a code came back"})
    library.log([changed])
    found = standing(library, case_id)
    assert (found.said, found.revised_since) == (Said.WAITS, True)
    assert "revised since" in found.words()
    assert "holds revision 1" in found.words()
    assert [(one.revision, one.case.leftover) for one in library.read_and_agreed()] == [(1, None)]
    say(library, case_id, Said.AGREED, "ingrid")
    assert [(one.revision, one.case.leftover) for one in library.read_and_agreed()] == [
        (2, "a code came back")
    ]


def test_what_the_record_says_itself_counts_until_somebody_speaks(library, logged):
    """A record file may bring its review along; the lead's later word counts for more."""
    case_id = logged(review={"state": "read and agreed", "by": "tova", "on": "2026-11-21"})
    assert standing(library, case_id).said is Said.AGREED
    say(library, case_id, Said.WITHDRAWN, "ingrid", "the customer asked for it")
    assert standing(library, case_id).said is Said.WITHDRAWN
    assert library.read_and_agreed() == []


def test_every_word_is_kept(library, logged):
    """Returned with a remark, then agreed: the history tells both."""
    case_id = logged()
    say(library, case_id, Said.RETURNED, "ingrid", "ohms at the DLC are missing")
    say(library, case_id, Said.AGREED, "ingrid")
    assert [(row["said"], row["remark"]) for row in said_of(library, case_id)] == [
        ("returned", "ohms at the DLC are missing"),
        ("agreed", None),
    ]


def test_words_survive_a_rebuild(library, logged):
    """They are no derived table."""
    case_id = logged()
    say(library, case_id, Said.INSIDE, "ingrid")
    library.rebuild()
    assert standing(library, case_id).said is Said.INSIDE


@pytest.mark.slow
@pytest.mark.parametrize(
    ("said", "by", "remark", "expected"),
    [
        (Said.AGREED, " ", None, "say who you are"),
        (Said.RETURNED, "ingrid", None, "without a remark"),
        (Said.WITHDRAWN, "ingrid", " ", "without a remark"),
        (Said.MERGED, "ingrid", None, "merged into no case"),
    ],
)
def test_a_word_that_helps_nobody_is_refused(library, logged, said, by, remark, expected):  # noqa: PLR0913, PLR0917
    """Nothing is kept of it."""
    case_id = logged()
    with pytest.raises(LibraryError, match=expected):
        say(library, case_id, said, by, remark)
    assert said_of(library, case_id) == []


def test_an_open_job_cannot_be_agreed_to(library, logged):
    """It has not ended."""
    case_id = logged(provenance={}, cause=None)
    with pytest.raises(LibraryError, match="still open"):
        say(library, case_id, Said.AGREED, "ingrid")


def test_a_case_is_merged_into_one_that_stays(library, logged):
    """Not into itself, not into one that is merged or withdrawn, not into one that nobody knows."""
    first, second = logged(symptoms=["first"]), logged(symptoms=["told again"])
    say(library, second, Said.MERGED, "ingrid", other=first)
    assert standing(library, second).other == first
    with pytest.raises(LibraryError, match="is merged itself"):
        say(library, first, Said.MERGED, "ingrid", other=second)
    with pytest.raises(LibraryError, match="merged into itself"):
        say(library, first, Said.MERGED, "ingrid", other=first)
    with pytest.raises(LibraryError):
        say(library, first, Said.MERGED, "ingrid", other="zzzzzzzz")


def test_each_lack_is_named():
    """A bare record lacks nearly everything; what is there is not told as missing."""
    nothing = missing_in(bare())
    assert "no reading as found" in nothing
    assert "no cause" in nothing
    assert "no codes" in nothing
    told = missing_in(bare(symptoms=["no start"], cause={"fault": "low_open"}))
    assert "cause without proof" in told
    assert "no cause" not in told
    assert "no symptom: the customer's words stay inside" not in told


def test_readings_that_speak_against_the_cause_are_named(simulated_buses):
    """A healthy set of readings beside `lines shorted together`: one of the two is wrong."""
    readings = [
        {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "battery": "disconnected",
         "ignition": "off", "unplugged": "nothing", "value": "60.2 ohm"},
        {"quantity": "voltage", "line": "CAN high", "against": "ground", "ignition": "on", "unplugged": "nothing",
         "value": "2.69 V"},
        {"quantity": "voltage", "line": "CAN low", "against": "ground", "ignition": "on", "unplugged": "nothing",
         "value": "2.33 V"},
    ]  # fmt: skip
    networks = [{"name": "powertrain CAN", "medium": "high-speed CAN"}]
    wrong = bare(readings=readings, networks=networks, cause={"fault": "both_terminators_missing"})
    right = bare(readings=readings, networks=networks, cause={"fault": "module_supply_or_ground"})
    folder = simulated_buses / "casebase" / "simulated-buses"
    (words,) = clashes_in(wrong, folder)
    assert "60.2 ohm" in words
    assert "both terminators missing" in words
    assert clashes_in(right, folder) == []
    assert completeness_of(wrong, folder).points < completeness_of(right, folder).points


def test_a_cause_need_only_be_read_on_one_of_two_networks(simulated_buses):
    """Where the cause names no network, a short on one bus and a healthy bus beside it go together."""
    short = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "battery": "disconnected",
             "ignition": "off", "unplugged": "nothing", "value": "0.3 ohm", "network": "comfort CAN"}  # fmt: skip
    sound = short | {"value": "60.2 ohm", "network": "powertrain CAN"}
    networks = [{"name": name, "medium": "high-speed CAN"} for name in ("comfort CAN", "powertrain CAN")]
    told = {"readings": [short, sound], "networks": networks}
    folder = simulated_buses / "casebase" / "simulated-buses"
    assert clashes_in(bare(**told, cause={"fault": "lines_shorted_together"}), folder) == []
    (words,) = clashes_in(bare(**told, cause={"fault": "configuration"}), folder)
    assert words.startswith("comfort CAN: CAN high to CAN low")


def test_a_maker_defined_code_can_be_read():
    """B10B1-87 has a grammar (SAE J2012) and a failure type; a maker's own number has neither."""
    lack = "codes as text only: no code that can be read"
    assert lack not in missing_in(bare(codes=[{"code": "B10B1-87"}]))
    assert lack in missing_in(bare(codes=[{"code": "maker:5E-21"}]))


@pytest.mark.slow
def test_no_record_of_the_demonstration_clashes(simulated_buses):
    """Readings, in whatever stage they were taken, and causes were written to go together, in every record."""
    folder = simulated_buses / "casebase" / "simulated-buses"
    cases = [case for path in record_files([DEMO_FOLDER]) for case in load_file(path)]
    assert len(cases) >= 49
    assert [title_of(case) for case in cases if clashes_in(case, folder)] == []


@pytest.mark.slow
def test_four_records_of_the_demonstration_wait_and_one_stays_inside(library):
    """All others are read and agreed."""
    library.log([case for path in record_files([DEMO_FOLDER]) for case in load_file(path)])
    there = library.records()
    with library.reading() as db:
        said = [one.said for one in standings(db, there).values()]
    assert (said.count(Said.WAITS), said.count(Said.INSIDE)) == (4, 1)
    assert said.count(Said.AGREED) == len(there) - 5


@pytest.mark.slow
def test_two_leads_who_review_at_once_lose_no_word(library, logged):
    """Each of two processes speaks of every record; every word is kept."""
    ids = [logged(symptoms=[f"symptom {number}"]) for number in range(10)]
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as both:
        list(both.map(speak_of_all, [library.place] * 2, ["ingrid", "tova"], [ids] * 2))
    for case_id in ids:
        assert sorted(row["by"] for row in said_of(library, case_id)) == ["ingrid", "tova"]


def speak_of_all(path, by, ids):
    """Return every record to its author, in a process of its own."""
    with Library.open(path) as own:
        for case_id in ids:
            say(own, case_id, Said.RETURNED, by, f"ohms are missing, says {by}")


def test_more_records_than_are_held_are_read_as_often_as_somebody_goes_through_them(
    library, logged, monkeypatch
):
    """The same records as a list would hold, the revision agreed to of each, whatever was revised since."""
    ids = [logged(concern=f"Lamp {number} on.") for number in range(5)]
    for case_id in ids[:4]:
        say(library, case_id, Said.AGREED, "ingrid")
    kept = library.get(ids[1])
    revised = kept.case.model_copy(update={"id": ids[1], "revision": 1, "leftover": "The lamp is back."})
    library.log([revised])
    held = library.read_and_agreed()
    monkeypatch.setattr("casebase.library.store.HELD_AT_ONCE", 2)
    monkeypatch.setattr("casebase.library.records._AT_ONCE", 2)
    anew = library.read_and_agreed()
    assert not isinstance(anew, list)
    assert list(anew) == list(anew) == held
    assert [anew[1], *anew[2:]] == held[1:]
    assert (len(anew), anew[1].revision) == (4, 1)
    assert [one.kept.revision for one in newer_than_agreed(library)] == [2]
