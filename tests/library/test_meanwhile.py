"""What another does between a look at the library and what is made of it: nothing is lost, doubled or said wrongly."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest

from casebase.demo import demo_layouts
from casebase.errors import LibraryError
from casebase.library import layouts, reviews, store
from casebase.library.engine import Database, HubAddress
from casebase.library.hub_files import HubFiles
from casebase.library.layouts import LayoutSaid, StoredLayout, layouts_in, layouts_waiting, say_of_layout
from casebase.library.library_file import LibraryFile
from casebase.library.mending import remove
from casebase.library.moving import fill_hub
from casebase.library.privacy import clear, cleared
from casebase.library.records import new_id
from casebase.library.reviews import Said, said_of, say
from casebase.library.shop_tokens import make_token, note_used, token_sha256, tokens_in
from casebase.library.sources import key_of, pin_key
from casebase.library.store import Library, Outcome
from casebase.record.case import Case
from tests.library.hub_server import HubServer, needs_postgresql

MakeCase = Callable[..., Case]
K4, T2 = demo_layouts()


@contextmanager
def another(library: Library) -> Iterator[Library]:
    """Open the same library once more."""
    with Library.open(library.place) as opened:
        yield opened


@pytest.mark.parametrize("first", [True, False])
def test_a_layout_logged_while_those_that_wait_are_listed(
    library: Library, monkeypatch: pytest.MonkeyPatch, first: bool
) -> None:
    """It is in the list, or in the next one."""
    library.log([], layouts=[K4])
    listed = layouts_in

    def looking(kept: LibraryFile) -> list[StoredLayout]:
        monkeypatch.setattr(layouts, "layouts_in", listed)
        found = [] if first else listed(kept)
        with another(library) as other:
            other.log([], layouts=[T2])
        return listed(kept) if first else found

    monkeypatch.setattr(layouts, "layouts_in", looking)
    assert len(layouts_waiting(library)) == (2 if first else 1)
    assert len(layouts_waiting(library)) == 2


def test_a_layout_revised_just_now_is_not_agreed_to(library: Library) -> None:
    """The lead has read the revision before it."""
    layout_id = library.log([], layouts=[K4])[0].case_id
    revised = K4.model_copy(update={"id": layout_id, "revision": 1, "title": "Read by nobody"})
    library.log([], layouts=[revised])
    with pytest.raises(LibraryError, match="revised just now: read it again"):
        say_of_layout(library, layout_id, LayoutSaid.AGREED, "ingrid", read=1)
    assert say_of_layout(library, layout_id, LayoutSaid.AGREED, "ingrid", read=2).agreed == 2


def test_a_case_removed_just_now_is_not_spoken_of_and_nothing_is_merged_into_it(
    library: Library, make_case: MakeCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever merged into it would have two cases in no list."""
    gone, stays = (one.case_id for one in library.log([make_case(), make_case(concern="The same job.")]))
    now = reviews.now_text

    def removed_first() -> str:
        monkeypatch.setattr(reviews, "now_text", now)
        with another(library) as other:
            remove(other, gone, "tova")
        return now()

    monkeypatch.setattr(reviews, "now_text", removed_first)
    with pytest.raises(LibraryError, match=f"case {gone}: this record was removed"):
        say(library, stays, Said.MERGED, "ingrid", other=gone)
    assert said_of(library, stays) == []
    back = make_case(concern="One more.")
    gone = library.log([back])[0].case_id
    monkeypatch.setattr(reviews, "now_text", removed_first)
    with pytest.raises(LibraryError, match=f"case {gone}: this record was removed"):
        say(library, gone, Said.RETURNED, "ingrid", "Which pin?")
    assert said_of(library, gone) == []


def test_a_case_found_and_removed_before_it_is_read_is_compared_as_it_was(
    library: Library, make_case: MakeCase
) -> None:
    """Nobody is told to rebuild a library that is whole."""
    case_id = library.log([make_case()])[0].case_id
    collection = library.collection()
    before = collection.profiles(collection.rows_of_case(case_id))
    with another(library) as other:
        remove(other, case_id, "tova")
    assert collection.profiles(collection.rows_of_case(case_id)) == before


def test_of_two_who_clear_texts_at_once_both_are_kept(library: Library) -> None:
    """Eight leads, each another text."""

    def clear_one(number: int) -> None:
        with another(library) as other:
            clear(other, "00000001", f"field {number}", "harmless")

    with ThreadPoolExecutor(8) as many:
        list(many.map(clear_one, range(8)))
    assert len(cleared(library)) == 8


def test_a_key_taken_meanwhile_is_not_replaced(library: Library) -> None:
    """Whoever looked before that looks again."""
    pin_key(library, "Workshop North", "aa" * 32, None)
    with pytest.raises(LibraryError, match="another key was taken as theirs just now: look again"):
        pin_key(library, "Workshop North", "bb" * 32, None)
    assert key_of(library, "Workshop North") == "aa" * 32


def test_two_services_that_note_who_was_here_wait_for_nobody_who_waits_for_them(library: Library) -> None:
    """Each names the tokens in its own order; the later time stays, whoever comes last."""
    made = [token_sha256(make_token(library, f"Shop {number}", "00" * 16)) for number in range(12)]

    def note(backwards: bool) -> None:
        with another(library) as other:
            for second in range(10):
                at = f"2026-11-30T09:00:{second:02}+00:00"
                note_used(other, dict.fromkeys(reversed(made) if backwards else made, at))

    with ThreadPoolExecutor(4) as many:
        list(many.map(note, [True, False, True, False]))
    note_used(library, dict.fromkeys(made, "2026-11-30T08:00:00+00:00"))
    assert {one.used_at for one in tokens_in(library)} == {"2026-11-30T09:00:09+00:00"}


@needs_postgresql
@pytest.mark.slow
def test_a_case_revised_behind_one_in_flight_stays_to_be_compared_with(
    hub: HubAddress, make_case: MakeCase
) -> None:
    """Its new revision comes behind, for an index made meanwhile too."""
    with Library.open(hub) as early, Library.open(hub) as late, Library.open(hub) as reader:
        case_id = late.log([make_case(concern="Before.")])[0].case_id
        with early._db.writing(alone=False):
            early._insert("00000001", 1, "0" * 64, "{}", "2026-11-30T10:00:00+00:00")
            late.log([make_case(concern="Told better.").model_copy(update={"id": case_id})])
            collection = reader.collection()
            assert len(collection.rows_of_case(case_id)) == 1
            early._db.execute("DELETE FROM records WHERE case_id = '00000001'")
        collection = reader.collection()
        (row,) = collection.rows_of_case(case_id)[-1:]
        assert collection.profiles([row])[0].case_id == case_id


@needs_postgresql
@pytest.mark.slow
def test_a_file_kept_again_while_what_is_left_over_goes_stays(
    hub: HubAddress, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its record waits for its turn."""
    with Library.open(hub) as lead, Library.open(hub) as shop:
        sha256 = shop.files.keep(b"seen at the plug")
        shop.files.keep(b"left over")
        with lead.changing() as db:
            db.execute("UPDATE attached_files SET kept_at = now() - interval '2 hours'")
        found = HubFiles._left_over

        def kept_meanwhile(files: HubFiles, named: frozenset[str]) -> list[tuple[str, int]]:
            told = found(files, named)
            shop.files.keep(b"seen at the plug")
            return told

        monkeypatch.setattr(HubFiles, "_left_over", kept_meanwhile)
        lead.remove_left_over_files()
        assert shop.files.read(sha256) == b"seen at the plug"
        assert shop.files.whole_size() == 16


@needs_postgresql
@pytest.mark.slow
def test_a_copy_that_cannot_be_brought_in_whole_leaves_the_hub_empty(
    hub: HubAddress, make_case: MakeCase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hub with records and no tables made of them would be refused a second copy, and answer nothing."""
    with Library.create(tmp_path / "copy.db") as copy:
        copy.log([make_case()])

    def stopped(_: Library) -> int:
        raise LibraryError("stopped")

    with monkeypatch.context() as patch:
        patch.setattr(Library, "rebuild", stopped)
        with pytest.raises(LibraryError, match="stopped"):
            fill_hub(tmp_path / "copy.db", [], hub)
    fill_hub(tmp_path / "copy.db", [], hub)
    with Library.open(hub) as library:
        assert library.count() == 1
        assert library.faults() == []


@needs_postgresql
@pytest.mark.slow
@pytest.mark.parametrize("first", [True, False])
def test_two_shops_that_tell_the_same_words_at_once_each_keep_their_own(
    hub_server: HubServer,
    make_case: MakeCase,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    first: bool,
) -> None:
    """The other's commit falls right before or right after an ID is chosen; neither sees the other's record."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    owner = hub_server.new_hub()
    database = owner.text.split("@/")[1].split("?")[0]
    people = []
    for name in ("north", "south"):
        hub_server.execute(f"CREATE ROLE {name}_{database} LOGIN IN ROLE casebase_shop")
        hub_server.execute(f"INSERT INTO shops VALUES ('{name}_{database}', 'Workshop {name}')", database)
        people.append(hub_server.address(database, f"{name}_{database}"))
    told: list[tuple[str, Outcome]] = []

    def choose(db: Database, sha256: str) -> str:
        monkeypatch.setattr(store, "new_id", new_id)
        chosen = None if first else new_id(db, sha256)
        with Library.open(people[1]) as south:
            told.extend((one.case_id, one.outcome) for one in south.log([make_case()]))
        return chosen or new_id(db, sha256)

    monkeypatch.setattr(store, "new_id", choose)
    with Library.open(people[0]) as north:
        told.extend((one.case_id, one.outcome) for one in north.log([make_case()]))
    assert [outcome for _, outcome in told] == [Outcome.NEW, Outcome.NEW]
    assert len({case_id for case_id, _ in told}) == 2
