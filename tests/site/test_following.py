"""A running site follows its folder of editions: forward to a new one, back to an earlier one, without a restart."""

import asyncio
import re
import threading

import httpx
import pytest

from casebase.errors import EditionError
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.publish.edition import show_edition
from casebase.publish.publication import Imprint, publish
from casebase.site import plugin
from casebase.site.serving import site_over

pytestmark = pytest.mark.slow


@pytest.fixture
def publish_one(tmp_path, make_case):
    """A function that publishes an edition of so many cases."""

    def publish_many(count):
        kept = [
            StoredRecord(f"case{n:04}", 1, "", make_case(symptoms=[f"symptom {n}"])) for n in range(count)
        ]
        return publish(kept, tmp_path / "editions", Imprint("2026-11-25", "ingrid"), Means())

    return publish_many


@pytest.fixture(autouse=True)
def look_every_time(monkeypatch):
    """Look at the folder with every request."""
    monkeypatch.setattr(plugin, "LOOK_EVERY_SECONDS", 0.0)


def number_shown(text):
    """Return the number of the edition that a first page tells."""
    return int(re.search(r"Edition (\d+), \d{4}", text)[1])


async def until_shown(client, number):
    """Ask the first page until it is of an edition; every answer on the way is a whole page."""
    for _ in range(200):
        answer = await client.get("/")
        assert answer.status_code == 200
        if number_shown(answer.text) == number:
            return answer.text
        await asyncio.sleep(0.02)
    raise AssertionError(f"edition {number} was not shown")


def test_new_edition_is_shown_without_a_restart_and_an_earlier_one_again(publish_one, tmp_path):
    """Pages, counts and Datasette's own tables turn over together."""
    publish_one(2)

    async def story():
        site = site_over(tmp_path / "editions")
        await site.invoke_startup()
        transport = httpx.ASGITransport(app=site.app())
        async with httpx.AsyncClient(transport=transport, base_url="http://shop.local") as client:
            assert "2 records" in await until_shown(client, 1)
            publish_one(3)
            assert "3 records" in await until_shown(client, 2)
            assert (await client.get("/case/case0002")).status_code == 200
            assert (await client.get("/edition-2/cases.json")).json()["filtered_table_rows_count"] == 3
            assert (await client.get("/edition-1/cases.json")).status_code == 404
            assert "1 new" in (await client.get("/changes")).text
            show_edition(tmp_path / "editions", 1)
            assert "2 records" in await until_shown(client, 1)
            assert (await client.get("/case/case0002")).status_code == 404

    asyncio.run(story())


def test_a_damaged_pointer_leaves_the_edition_that_is_shown(publish_one, tmp_path):
    """Whoever reads goes on reading."""
    publish_one(2)

    async def story():
        site = site_over(tmp_path / "editions")
        await site.invoke_startup()
        transport = httpx.ASGITransport(app=site.app())
        async with httpx.AsyncClient(transport=transport, base_url="http://shop.local") as client:
            await until_shown(client, 1)
            (tmp_path / "editions" / "shown").write_text("../../etc/passwd\n")
            for _ in range(3):
                assert number_shown((await client.get("/")).text) == 1

    asyncio.run(story())


def spoil(path, at):
    """Flip a bit in a file, in place."""
    with path.open("r+b") as file:
        file.seek(at)
        byte = file.read(1)[0]
        file.seek(at)
        file.write(bytes([byte ^ 1]))


@pytest.mark.parametrize("at", [3, 70, 5000])
def test_an_edition_damaged_while_it_is_shown_gives_way_to_the_one_before(publish_one, tmp_path, at):
    """No page of it is an error, each says which edition it is of and why; put right, the file is shown again."""
    publish_one(2)
    shown = publish_one(3).path

    async def story():
        site = site_over(tmp_path / "editions")
        await site.invoke_startup()
        transport = httpx.ASGITransport(app=site.app())
        async with httpx.AsyncClient(transport=transport, base_url="http://shop.local") as client:
            assert "3 records" in await until_shown(client, 2)
            spoil(shown, at)
            text = await until_shown(client, 1)
            assert "Edition 2 is damaged, or was replaced" in text
            assert "This is edition 1" in (await client.get("/case/case0001")).text
            spoil(shown, at)
            assert "damaged" not in await until_shown(client, 2)

    asyncio.run(story())


@pytest.mark.parametrize("at", [3, 70, 5000])
def test_an_edition_damaged_before_the_start_is_not_shown(publish_one, asking, at):
    """Its SHA-256 lies beside it; where no edition is whole the start is refused in a sentence."""
    first = publish_one(2).path
    spoil(publish_one(3).path, at)
    told = asking(first.parent)("/").text
    assert number_shown(told) == 1
    assert "Edition 2 is damaged" in told
    spoil(first, at)
    with pytest.raises(EditionError, match="edition 2 is damaged or not there, and none before it is whole"):
        site_over(first.parent)


def test_an_edition_put_anew_under_its_name_is_read_anew(publish_one, tmp_path, make_case):
    """A folder copied over another, with the SHA-256 that belongs to it."""
    publish_one(2)
    other = publish(
        [StoredRecord("case0009", 1, "", make_case(symptoms=["other"]))],
        tmp_path / "others",
        Imprint("2026-11-26", "ingrid"),
        Means(),
    )

    async def story():
        site = site_over(tmp_path / "editions")
        await site.invoke_startup()
        transport = httpx.ASGITransport(app=site.app())
        async with httpx.AsyncClient(transport=transport, base_url="http://shop.local") as client:
            assert "2 records" in (await client.get("/")).text
            for name in ("edition-1.db.sha256", "edition-1.db"):
                (other.path.parent / name).replace(tmp_path / "editions" / name)
            for _ in range(200):
                answer = await client.get("/case/case0009")
                if answer.status_code == 200:
                    break
                await asyncio.sleep(0.02)
            assert answer.status_code == 200
            assert (await client.get("/edition-1/cases.json")).json()["filtered_table_rows_count"] == 1

    asyncio.run(story())


def test_an_empty_folder_is_told(tmp_path):
    """What to do stands in the sentence."""
    with pytest.raises(EditionError, match="casebase publish"):
        site_over(tmp_path)


def test_readers_see_whole_editions_while_many_are_published(publish_one, tmp_path):
    """Each first page tells as many records as its edition has: two in the first, three in the second ..."""
    publish_one(2)

    async def story():
        site = site_over(tmp_path / "editions")
        await site.invoke_startup()
        transport = httpx.ASGITransport(app=site.app())
        done = threading.Event()

        def lead():
            for count in range(3, 9):
                publish_one(count)
            done.set()

        publishing = threading.Thread(target=lead)
        publishing.start()
        seen = set()
        async with httpx.AsyncClient(transport=transport, base_url="http://shop.local") as client:
            while not done.is_set():
                text = (await client.get("/")).text
                number = number_shown(text)
                assert f"{number + 1} records" in text
                seen.add(number)
                await asyncio.sleep(0)
            await until_shown(client, 7)
        publishing.join()
        assert len(seen) > 1

    asyncio.run(story())


def test_the_edition_tells_what_it_is_and_what_is_new(publish_one, asking):
    """Number, day and signature on the first page; withdrawn cases are told as such."""
    publish_one(3)
    made = publish_one(2)
    ask = asking(made.path.parent)
    assert "Edition 2, 2026-11-25, signed off by ingrid" in ask("/").text
    told = ask("/changes").text
    assert "1 withdrawn" in told
    assert "/case/case0002" not in told
    assert ask("/changes.json").json()["found"]["rows"][0]["case_id"] == "case0002"
    assert "Edition 2" in ask("/about").text
