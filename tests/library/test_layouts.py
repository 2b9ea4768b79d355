"""Layouts in a library: kept with revisions, agreed to, published, sent to another shop, drafted from past cases."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from casebase.commands.app import app
from casebase.demo import build_demo_library, demo_folder, demo_layouts
from casebase.errors import BundleError, LibraryError
from casebase.library.layout_draft import drafted_layout
from casebase.library.layouts import (
    LayoutSaid,
    agreed_layouts,
    best_fitting,
    layout_for,
    layout_named,
    layouts_in,
    revisions_of,
    say_of_layout,
)
from casebase.library.store import Library, Outcome
from casebase.publish.bundle import export_bundle
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.edition import Edition, edition_path, open_frozen
from casebase.publish.public_fields import public_case
from casebase.publish.public_layouts import PUBLIC_LAYOUT_FIELDS, public_layout
from casebase.publish.taking_in import take_in
from casebase.record.json_form import canonical_json, layout_schema
from casebase.record.layout import Layout, Source
from casebase.record.loading import case_from_data
from casebase.record.vehicle import Vehicle
from tests.publish.exchanged_bundles import members_of, packed, with_right_sums

K4, T2 = demo_layouts()
A_CASE = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Skarn", "platform": "K4"},
    "symptoms": ["no start"],
    "provenance": {"ended": "2026-11-20"},
    "review": {"state": "read and agreed", "by": "ingrid"},
}


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """The path of a library with one agreed case and two layouts that wait."""
    with Library.create(tmp_path / "shop.db") as library:
        library.log([case_from_data(A_CASE, "a test")], layouts=[K4, T2])
    return tmp_path / "shop.db"


def run(shop: Path, *arguments: object) -> Result:
    """Run a command on the library."""
    return CliRunner().invoke(app, [*map(str, arguments), "--library", str(shop)])


def id_of(shop: Path, layout: Layout) -> str:
    """Return the ID under which a library keeps a layout, by its title."""
    with Library.open(shop) as library:
        return next(one.layout_id for one in layouts_in(library) if one.layout.title == layout.title)


def agree(shop: Path, *layouts: Layout) -> None:
    """Agree to layouts."""
    for layout in layouts:
        assert run(shop, "layout", id_of(shop, layout), "--agree", "--by", "ingrid").exit_code == 0


def test_the_same_layout_is_kept_once_and_a_changed_one_as_a_revision(shop: Path) -> None:
    """A file made from an earlier revision is refused, and nothing of what came with it is kept."""
    its_id = id_of(shop, K4)
    changed = K4.model_copy(update={"id": its_id, "revision": 1, "note": "S12 moved in 2016."})
    with Library.open(shop) as library:
        assert [one.outcome for one in library.log([], layouts=[K4])] == [Outcome.ALREADY_THERE]
        (logged,) = library.log([], layouts=[changed])
        assert (logged.case_id, logged.revision, logged.outcome) == (its_id, 2, Outcome.REVISED)
        other = case_from_data(A_CASE | {"symptoms": ["lamps"]}, "a test")
        with pytest.raises(LibraryError, match="made from revision 1, and revision 2 is kept by now"):
            library.log([other], layouts=[changed.model_copy(update={"note": "another"})])
        assert library.count() == 1
        assert [row["revision"] for row in revisions_of(library, its_id)] == [1, 2]
        assert library.faults() == []


@pytest.mark.slow
def test_review_lists_the_layouts_that_wait(shop: Path) -> None:
    """One that was agreed to waits again once it is revised; one that stays inside does not wait."""
    listed = run(shop, "review", "--list").output
    assert "2 wiring layouts wait to be read" in listed
    assert K4.name() in listed
    assert T2.name() in listed

    agree(shop, K4)
    run(shop, "layout", id_of(shop, T2), "--keep-inside", "--by", "ingrid")
    assert "Nothing waits to be read." in run(shop, "review", "--list").output

    revised = K4.model_copy(update={"id": id_of(shop, K4), "revision": 1, "note": "S12 moved in 2016."})
    with Library.open(shop) as library:
        library.log([], layouts=[revised])
    assert "1 wiring layout waits to be read" in run(shop, "review", "--list").output


def test_what_is_changed_outside_is_found(shop: Path) -> None:
    """`casebase check` looks at layouts as it does at cases."""
    with closing(sqlite3.connect(shop)) as connection:
        connection.execute("UPDATE layouts SET json = replace(json, '0.4 m', '0.5 m')")
        connection.commit()
    with Library.open(shop) as library:
        assert sum("does not match its SHA-256" in fault for fault in library.faults()) == 2


@pytest.mark.slow
def test_one_damaged_layout_hides_no_other(shop: Path) -> None:
    """The others are listed; check names it, and words whose layout is gone."""
    agree(shop, K4, T2)
    with closing(sqlite3.connect(shop)) as connection:
        connection.execute("UPDATE layouts SET json = '{}' WHERE layout_id = ?", (id_of(shop, K4),))
        connection.commit()
    with Library.open(shop) as library:
        assert [one.layout.title for one in layouts_in(library)] == [T2.title]
    with closing(sqlite3.connect(shop)) as connection:
        connection.execute("DELETE FROM layouts WHERE json = '{}'")
        connection.commit()
    assert str(T2.title) in run(shop, "layout").output
    with Library.open(shop) as library:
        assert ["words of the shop lead are kept, the layout is not" in one for one in library.faults()] == [
            True
        ]


@pytest.mark.slow
def test_a_word_counts_for_the_revision_it_was_said_of(shop: Path) -> None:
    """A later revision waits, and the one agreed to goes out until it is taken out."""
    agree(shop, K4)
    its_id = id_of(shop, K4)
    with Library.open(shop) as library:
        library.log([], layouts=[K4.model_copy(update={"id": its_id, "note": "later"})])
        assert [one.revision for one in agreed_layouts(library)] == [1]
    assert "revision 2 waits to be read" in run(shop, "layout", its_id).output
    with Library.open(shop) as library:
        say_of_layout(library, its_id, LayoutSaid.WITHDRAWN, "ingrid", "wrong diagram")
        assert agreed_layouts(library) == []
        with pytest.raises(LibraryError, match="say who you are"):
            say_of_layout(library, its_id, LayoutSaid.AGREED, " ")


def test_the_layout_of_a_vehicle_is_the_one_that_fits_best(shop: Path) -> None:
    """Make and model before the platform alone; none where nothing fits."""
    with Library.open(shop) as library:
        stored = layouts_in(library)

    def title(**vehicle: Any) -> str | None:
        found = best_fitting(stored, Vehicle(**vehicle))
        return found.layout.title if found else None

    assert title(make="Norrvik", model="Skarn", model_year=2015) == K4.title
    assert title(make="Maruvo", model="Solenne", platform="T2") == T2.title
    assert title(make="Oskarn", model="H18") is None


@pytest.mark.slow
def test_an_edition_holds_the_agreed_layouts_and_tells_what_is_new(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, accept_all_words: Callable[[Path], None]
) -> None:
    """A layout alone makes a new edition; a reader finds it, and one that was withdrawn no more."""
    monkeypatch.setenv("CASEBASE_TEXT_MODEL", "/no/model")
    agree(shop, K4)
    accept_all_words(shop)
    first = json.loads(run(shop, "publish", tmp_path / "e", "--by", "ingrid", "--json").stdout)
    assert [one["what"] for one in first["changes"]] == ["case", "layout"]
    agree(shop, T2)
    accept_all_words(shop)
    second = json.loads(run(shop, "publish", tmp_path / "e", "--by", "ingrid", "--json").stdout)
    assert [(one["changed"], one["title"]) for one in second["changes"]] == [("new", T2.title)]
    with closing(open_frozen(edition_path(tmp_path / "e", 2))) as connection:
        found = Edition(connection).layouts()
    assert [canonical_json(one.layout) for one in found] == [canonical_json(K4), canonical_json(T2)]
    run(shop, "layout", id_of(shop, K4), "--withdraw", "wrong", "--by", "ingrid")
    refused = run(shop, "publish", tmp_path / "e", "--by", "ingrid", "--json")
    assert f"{K4.title}: layout: withdrawn by ingrid" in refused.output
    third = json.loads(run(shop, "publish", tmp_path / "e", "--by", "ingrid", "--json", "--yes").stdout)
    assert third["counted"] == {"withdrawn": 1}


@pytest.mark.slow
def test_what_looks_private_in_a_layout_stops_edition_and_bundle(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, accept_all_words: Callable[[Path], None]
) -> None:
    """A telephone number in a note; marked as none, it goes out."""
    monkeypatch.setenv("CASEBASE_TEXT_MODEL", "/no/model")
    noted = K4.model_copy(update={"title": "with a note", "note": "Ask Ottilie Brandvoll, +46 70 174 06 05."})
    with Library.open(shop) as library:
        library.log([], layouts=[noted])
    agree(shop, noted)
    accept_all_words(shop)
    its_id = id_of(shop, noted)
    for refused in (
        run(shop, "publish", tmp_path / "e", "--by", "ingrid"),
        run(shop, "export", tmp_path / "b.zip", "--by", "Workshop North"),
    ):
        assert refused.exit_code == 2
        assert f"layout {its_id}, note: " in refused.output
        assert f"casebase layout {its_id} --fine note" in " ".join(refused.output.split())
    assert run(shop, "layout", its_id, "--fine", "note").exit_code == 0
    assert run(shop, "publish", tmp_path / "e", "--by", "ingrid").exit_code == 0


def test_every_field_of_a_layout_is_listed_as_public_or_stays_inside() -> None:
    """A field that is added to the format stays inside until somebody lists it: this test says which are listed."""
    defined = layout_schema()
    inside = {"id", "revision"}
    assert set(defined["properties"]) - inside == set(PUBLIC_LAYOUT_FIELDS)
    for key, model in (
        ("networks", "LayoutNetwork"),
        ("plugs", "Plug"),
        ("feeds", "Feed"),
        ("splices", "Splice"),
    ):
        listed = PUBLIC_LAYOUT_FIELDS[key]
        assert listed is not None
        assert set(defined["$defs"][model]["properties"]) == set(listed)
    assert public_layout(K4) == K4


@pytest.mark.slow
def test_another_shop_takes_layouts_in_and_reads_them_before_they_go_on(shop: Path, tmp_path: Path) -> None:
    """Again, nothing is new; edited here since, the sender's next revision stands beside."""
    agree(shop, K4)
    other, bundle = tmp_path / "other.db", tmp_path / "b.zip"
    sent_to(shop, bundle)
    with Library.create(other) as library:
        assert take_in(library, checked_bundle(bundle, public_case)).layouts == 1
        assert take_in(library, checked_bundle(bundle, public_case)).layouts == 0
        (there,) = layouts_in(library)
        assert there.layout_id == id_of(shop, K4)
        assert agreed_layouts(library) == []
        mine = there.layout.model_copy(update={"id": there.layout_id, "note": "ours differs"})
        library.log([], layouts=[mine])
    with Library.open(shop) as library:
        library.log([], layouts=[K4.model_copy(update={"id": there.layout_id, "note": "theirs too"})])
    agree(shop, K4)
    sent_to(shop, bundle)
    with Library.open(other) as library:
        assert take_in(library, checked_bundle(bundle, public_case)).layouts == 1
        assert sorted(one.layout.note or "" for one in layouts_in(library)) == ["ours differs", "theirs too"]
        assert library.faults() == []


@pytest.mark.slow
def test_a_strangers_layout_never_takes_the_place_of_our_own(shop: Path, tmp_path: Path) -> None:
    """A bundle of nobody's with a layout of the same vehicles, logged last: a job is still held against ours."""
    stuck = Vehicle(make="Norrvik", model="Skarn", model_year=2015, platform="K4")
    north, bundle, own = tmp_path / "north.db", tmp_path / "b.zip", tmp_path / "own.db"
    with Library.create(north) as library:
        library.log([case_from_data(A_CASE, "a test")], layouts=[K4.model_copy(update={"note": "theirs"})])
    agree(north, K4)
    sent_to(north, bundle)
    with Library.create(own) as library:
        take_in(library, checked_bundle(bundle, public_case), is_known=False)
        theirs, caution = layout_for(library, stuck)
        assert theirs is not None
        assert theirs.layout.note == "theirs"
        assert "came in from Workshop North, and nobody here agreed to it" in caution
        say_of_layout(library, theirs.layout_id, LayoutSaid.AGREED, "ingrid")
        assert layout_for(library, stuck) == (theirs, "")
    with Library.open(shop) as library:
        take_in(library, checked_bundle(bundle, public_case), is_known=False)
        assert len(layouts_in(library)) == 3
        ours, caution = layout_for(library, stuck)
        assert ours is not None
        assert (ours.layout.note, caution) == (K4.note, "")


def sent_to(shop: Path, bundle: Path) -> None:
    """Write what a library has agreed to into a bundle."""
    with Library.open(shop) as library:
        records, layouts = library.read_and_agreed(), agreed_layouts(library)
        export_bundle(library, records, bundle, "Workshop North", "2026-11-25", layouts=layouts)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("was", "now"),
    [
        ('"revision":1', '"revision":0'),
        ('"revision":1', '"revision":1,"more":2'),
        ("0.4 m", "0.5 m"),
        ('"source":"from the maker\'s diagram"', '"source":"rumour"'),
        ('{"id"', '{ "id"'),
    ],
)
def test_a_layout_changed_on_its_way_is_refused_whole(shop: Path, tmp_path: Path, was: str, now: str) -> None:
    """Even where all sums are made right again; nothing of the bundle is kept."""
    agree(shop, K4)
    sent_to(shop, tmp_path / "b.zip")
    members = members_of(tmp_path / "b.zip")
    text = members["layouts.jsonl"].decode()
    assert was in text
    members["layouts.jsonl"] = text.replace(was, now, 1).encode()
    packed(tmp_path / "c.zip", with_right_sums(members).items())
    with pytest.raises(BundleError, match=r"layouts\.jsonl, line 1"):
        checked_bundle(tmp_path / "c.zip", public_case)


@pytest.mark.slow
def test_a_draft_holds_what_past_cases_name_all_of_it_guessed(tmp_path: Path) -> None:
    """It is kept as it stands, and says what it lacks; a platform nobody recorded is refused in words."""
    with build_demo_library(tmp_path / "demo.db") as library:
        head, layout = drafted_layout(library.records(), "t2")
        with pytest.raises(
            LibraryError, match="no case of a platform or model 'Z9' names networks and modules"
        ):
            drafted_layout(library.records(), "Z9")
    assert layout.source is Source.GUESSED
    assert layout.is_partly_known
    assert {"CGW", "BCM", "EPS", "parking assist"} <= {module.name for module in layout.modules}
    assert [splice.name for splice in layout.splices] == ["S417"]
    assert [(feed.name, feed.modules) for feed in layout.feeds] == [("F47", ["tailgate module"])]
    assert "#   body CAN: " in head
    file = tmp_path / "t2.yaml"
    file.write_text(run(tmp_path / "demo.db", "layout", "--draft", "T2").stdout, encoding="utf-8")
    assert "layout, Networks of Tessaro" in run(tmp_path / "demo.db", "log", file).output


@pytest.mark.slow
def test_a_layout_is_shown_listed_and_given_back_as_its_file(shop: Path, tmp_path: Path) -> None:
    """By the beginning of its ID; what the file holds is the layout with its ID and revision."""
    its_id = id_of(shop, K4)
    assert its_id in run(shop, "layout").output
    drawn = run(shop, "layout", its_id[:5]).output
    assert "├─■ TCM (0.5 m)" in drawn
    assert "wiper LIN (LIN)" in drawn
    file = tmp_path / "again.yaml"
    file.write_text(run(shop, "layout", its_id, "--file").stdout, encoding="utf-8")
    assert "Already there" in run(shop, "log", file).output
    as_data = json.loads(run(shop, "layout", its_id, "--json").stdout)
    assert as_data["layout"]["title"] == K4.title
    with (
        Library.open(shop) as library,
        pytest.raises(LibraryError, match="no layout with an ID that begins with 'zzz'"),
    ):
        layout_named(library, "zzz")


def test_the_layouts_of_the_demonstration_are_files_that_anybody_can_log(tmp_path: Path) -> None:
    """As a shop's own are."""
    Library.create(tmp_path / "own.db").close()
    done = run(tmp_path / "own.db", "log", demo_folder() / "layouts")
    assert done.exit_code == 0
    assert done.output.count("layout, ") == 2
