"""What the tests of the site share: the demonstration as a frozen file, and pages asked for without a network."""

import asyncio
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import httpx
import pytest

from casebase import places
from casebase.demo import demo_layouts
from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout
from casebase.library.matching import Means
from casebase.library.news import News
from casebase.publish.frozen import freeze
from casebase.record.case import Case
from casebase.record.vocabulary import Review
from casebase.site.serving import site_over

Ask = Callable[[str], httpx.Response]

FACTS = {"frozen on": "2026-11-25", "cases from": "the demonstration: invented cases"}


def kept_of(cases: Iterable[Case]) -> list[StoredRecord]:
    """Return cases as a library keeps them, with IDs that are the same on every run."""
    return [
        StoredRecord(f"case{place:04}", 1, "2026-11-25T09:00:00+00:00", case)
        for place, case in enumerate(cases, 1)
    ]


@pytest.fixture(scope="session")
def frozen_demo(tmp_path_factory, demo_cases, simulated_buses, embedder) -> Path:
    """A file of every invented record that is read and agreed, frozen with all that answering needs."""
    path = tmp_path_factory.mktemp("frozen") / "cases.db"
    agreed = [case for case in demo_cases.values() if case.review.state is Review.READ]
    layouts = [
        StoredLayout(f"layout{place:02}", 1, "", layout) for place, layout in enumerate(demo_layouts(), 1)
    ]
    means = Means(places.simulation_folder(), embedder)
    freeze(kept_of(agreed), path, FACTS, means, layouts=layouts)
    return path


@pytest.fixture
def frozen_of(tmp_path) -> Callable[..., Path]:
    """A function that freezes the cases given, without simulated buses or text model: quick, and enough for lists."""

    def frozen(*cases: Case, facts: dict[str, str] | None = None) -> Path:
        path = tmp_path / "cases.db"
        freeze(kept_of(cases), path, facts or FACTS, Means())
        return path

    return frozen


@pytest.fixture(scope="module")
def address(frozen_demo: Path) -> Iterator[str]:
    """The address of a site over the demonstration."""
    from browser import served  # noqa: PLC0415  only tests in a browser need one installed

    with served(frozen_demo) as base:
        yield base


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """The browser."""
    from browser import chromium  # noqa: PLC0415  see above

    with chromium() as found:
        yield found


@pytest.fixture(scope="session")
def asking() -> Iterator[Callable[..., Ask]]:
    """A function that gives, for a frozen file, a function from an address to the response; one event loop for all."""
    with asyncio.Runner() as runner:

        def asker(path: Path, news: Sequence[News] = ()) -> Ask:
            site = site_over(path, news)
            app = site.app()
            runner.run(site.invoke_startup())

            def ask(address: str) -> httpx.Response:
                return runner.run(_response(app, address))

            return ask

        yield asker


@pytest.fixture(scope="session")
def ask(asking, frozen_demo) -> Ask:
    """A function from an address of the demonstration's site to the response."""
    return asking(frozen_demo)


async def _response(app, address: str) -> httpx.Response:
    transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://shop.local:8601") as client:
        return await client.get(address)
