"""A shop fetches what the hub's lead exported: once, whole, from where it was cut; and no other file ever goes out."""

from __future__ import annotations

import hashlib
import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from casebase.errors import ExchangeError
from casebase.exchange.service import Settings
from casebase.library.store import Library
from tests.exchange.running import Shop, breaking_line, client, in_a_thread, nobody
from tests.publish.exchanged_bundles import sent, taken

pytestmark = pytest.mark.slow

MakeShop = Callable[..., Shop]

PATIENCE = (0.2,) * 100


@pytest.fixture
def agreed(file_hub: Path, make_case, tmp_path: Path) -> Path:
    """A bundle of the hub's own."""
    with Library.open(file_hub) as hub:
        hub.log([make_case(symptoms=[f"agreed at the hub {number}"]) for number in range(3)])
        return sent(hub, tmp_path / "agreed.zip", "The Group")


@pytest.fixture
def offering(file_hub: Path, agreed: Path, tmp_path: Path) -> Iterator[str]:
    """The address of a hub that has something for its shops."""
    with in_a_thread(Settings(file_hub, tmp_path / "inbox", agreed)) as url:
        yield url


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_what_the_lead_exported_comes_whole_and_once(
    offering: str, north: Shop, agreed: Path, tmp_path: Path
) -> None:
    """The very file; who has it is told so without a byte of it."""
    with client(offering, north, PATIENCE) as there:
        found = there.fetch(tmp_path / "fetched", None, nobody)
        assert found is not None
        path, sha256 = found
        assert (sha256, path.read_bytes()) == (sha256_of(agreed), agreed.read_bytes())
        told: list[int] = []
        assert there.fetch(tmp_path / "fetched", sha256, lambda at, _whole: told.append(at)) is None
        assert told == []
        again = there.fetch(tmp_path / "fetched", None, lambda at, _whole: told.append(at))
        assert again == found
        assert told == []
    with Library.create(tmp_path / "south.db") as south:
        assert taken(south, path).counted()["new"] == 3


def test_a_new_one_is_handed_out_as_soon_as_it_was_checked(
    offering: str, north: Shop, file_hub: Path, make_case, tmp_path: Path
) -> None:
    """What was fetched of the one before is no part of it."""
    with client(offering, north, PATIENCE) as there:
        first = there.fetch(tmp_path / "fetched", None, nobody)
        assert first is not None
        with Library.open(file_hub) as hub:
            hub.log([make_case(symptoms=["agreed later"])])
            agreed = sent(hub, tmp_path / "agreed.zip", "The Group")
        until = time.monotonic() + 60
        while (found := there.fetch(tmp_path / "fetched", first[1], nobody)) is None:
            assert time.monotonic() < until
            time.sleep(0.1)
    assert found[1] == sha256_of(agreed) == sha256_of(found[0])


def test_a_line_that_breaks_costs_only_what_was_under_way(
    offering: str, north: Shop, agreed: Path, tmp_path: Path
) -> None:
    """Each try goes on from the bytes that are here."""
    chance = random.Random(7)
    with client(offering, north, PATIENCE) as there:
        there.fetch(tmp_path / "waited", None, nobody)
    with breaking_line(offering) as line:
        line.is_abrupt = False
        line.cuts_answers_after = [chance.randrange(1, 4000) for _ in range(8)]
        with client(line.url, north, (0.01,) * 12) as there:
            found = there.fetch(tmp_path / "fetched", None, nobody)
        assert line.uses >= 4
    assert found is not None
    assert found[0].read_bytes() == agreed.read_bytes()


def test_who_gives_up_goes_on_later(offering: str, north: Shop, tmp_path: Path) -> None:
    """The first byte told is behind what came before."""
    told: list[int] = []
    with client(offering, north, PATIENCE) as there:
        there.fetch(tmp_path / "waited", None, nobody)
    with breaking_line(offering) as line:
        line.is_abrupt = False
        line.cuts_answers_after = [4000, *[20] * 50]
        with client(line.url, north) as there, pytest.raises(ExchangeError, match="goes on from it later"):
            there.fetch(tmp_path / "fetched", None, nobody)
    before = (tmp_path / "fetched" / "fetched.zip").stat().st_size
    assert before > 3000
    with client(offering, north) as there:
        assert there.fetch(tmp_path / "fetched", None, lambda at, _whole: told.append(at)) is not None
    assert told[0] > before


def test_what_arrives_changed_is_not_taken(offering: str, north: Shop, tmp_path: Path) -> None:
    """As where the part that lay here was changed meanwhile."""
    with client(offering, north, PATIENCE) as there:
        found = there.fetch(tmp_path / "fetched", None, nobody)
        assert found is not None
        found[0].write_bytes(b"x" * 500)
        with pytest.raises(ExchangeError, match="not what the hub announced"):
            there.fetch(tmp_path / "fetched", None, nobody)
        assert there.fetch(tmp_path / "fetched", None, nobody) == found


@pytest.mark.parametrize("wrong", ["the library itself", "another shop's", "changed", "nothing", "a folder"])
def test_no_other_file_goes_out(
    file_hub: Path, north: Shop, agreed: Path, tmp_path: Path, wrong: str
) -> None:
    """A slip of the operator's hand never hands out the customers' words."""
    changed = tmp_path / "changed.zip"
    changed.write_bytes(agreed.read_bytes()[:-40] + b"\0" * 40)
    places = {
        "the library itself": file_hub,
        "another shop's": north.bundle,
        "changed": changed,
        "nothing": tmp_path / "none.zip",
        "a folder": tmp_path,
    }
    with (
        in_a_thread(Settings(file_hub, tmp_path / "inbox", places[wrong])) as url,
        client(url, north, PATIENCE) as there,
    ):
        assert there.fetch(tmp_path / "fetched", None, nobody) is None
        time.sleep(0.5)
        assert there.fetch(tmp_path / "fetched", None, nobody) is None
    assert not list((tmp_path / "inbox").glob("offered*"))


def test_a_hub_without_an_offer_has_nothing(served: str, north: Shop, tmp_path: Path) -> None:
    """That is no error."""
    with client(served, north) as there:
        assert there.fetch(tmp_path / "fetched", None, nobody) is None
