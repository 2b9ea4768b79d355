"""What a bundle takes: seconds and bytes to write it, check it, take it in, take it in again, and what a hub takes.

python tests/bench/exchange_speed.py [RECORDS ...]
python tests/bench/exchange_speed.py hub [SHOPS RECORDS_EACH]

The records are the invented demo cases with changed values (`multiplied_cases.py`), each another. `casebase log` of the
same records stands beside the import as the measure of this machine. The hub takes bundles of many shops one after the
other into one library, then the same shops' second bundles, in which a tenth of the records is revised.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parent))

from multiplied_cases import multiplied
from row_by_row import rows_of_processes
from warm_clock import markdown

from casebase.library.store import Library
from casebase.publish.bundle import export_bundle
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.taking_in import Became, take_in
from casebase.record.case import Case

DAY: Final = "2026-11-25"
HEAD: Final = (
    "records",
    "logging, s",
    "writing the bundle, s",
    "bundle, MB",
    "checking it, s",
    "taking it in, s",
    "records/s, checked and kept",
    "again (nothing new), s",
    "most memory, MB",
)
HUB_HEAD: Final = (
    "shops",
    "records",
    "first bundles, records/s",
    "first tenth",
    "last tenth",
    "second bundles, s each",
)


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return how long some work took, and what it returned."""
    begun = time.perf_counter()
    done = work()
    return time.perf_counter() - begun, done


def row(records: int) -> list[str]:
    """Send so many records from one library to another in this process and return the figures."""
    cases = [Case.model_validate(data) for data in multiplied(records)]
    with tempfile.TemporaryDirectory() as folder:
        bundle = Path(folder) / "north.zip"
        with (
            Library.create(Path(folder) / "north.db") as north,
            Library.create(Path(folder) / "south.db") as south,
        ):
            logging, _ = timed(lambda: north.log(cases))
            writing, _ = timed(lambda: export_bundle(north, north.records(), bundle, "North", DAY))
            checking, checked = timed(lambda: checked_bundle(bundle, public_case))
            taking, taken = timed(lambda: take_in(south, checked))
            again, second = timed(lambda: take_in(south, checked_bundle(bundle, public_case)))
            assert len(taken.of(Became.NEW)) == south.count() == north.count() == records
            assert len(second.of(Became.ALREADY_THERE)) == records
            size = bundle.stat().st_size
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    return [
        f"{records:,}",
        f"{logging:.1f}",
        f"{writing:.1f}",
        f"{size / 1e6:.2f}",
        f"{checking:.1f}",
        f"{taking:.1f}",
        f"{records / (checking + taking):.0f}",
        f"{again:.1f}",
        f"{memory:.0f}",
    ]


def hub(shops: int, each: int) -> list[str]:
    """Take the bundles of many shops into one library; return how fast, and whether it slows down as it grows."""
    with tempfile.TemporaryDirectory() as folder:
        first, second = _bundles_of_shops(Path(folder), shops, each)
        with Library.create(Path(folder) / "hub.db") as central:
            seconds = [_taken_in(central, bundle) for bundle in first]
            later = [_taken_in(central, bundle) for bundle in second]
            assert central.count() == shops * each
            assert central.faults() == []
    tenth = max(1, shops // 10)
    return [
        f"{shops}",
        f"{shops * each:,}",
        f"{shops * each / sum(seconds):.0f}",
        f"{tenth * each / sum(seconds[:tenth]):.0f}",
        f"{tenth * each / sum(seconds[-tenth:]):.0f}",
        f"{sum(later) / shops:.2f}",
    ]


def _taken_in(central: Library, bundle: Path) -> float:
    return timed(lambda: take_in(central, checked_bundle(bundle, public_case)))[0]


def _bundles_of_shops(folder: Path, shops: int, each: int) -> tuple[list[Path], list[Path]]:
    records = multiplied(shops * each)
    first, second = [], []
    for number in range(shops):
        cases = [Case.model_validate(data) for data in islice(records, each)]
        name = f"Shop {number}"
        with Library.create(folder / f"{number}.db") as shop:
            logged = shop.log(cases)
            first.append(folder / f"{number}-a.zip")
            export_bundle(shop, shop.records(), first[-1], name, DAY)
            changed = zip(logged[: each // 10], cases, strict=False)
            shop.log(
                [
                    case.model_copy(
                        update={"id": one.case_id, "revision": one.revision, "note": "looked at again"}
                    )
                    for one, case in changed
                ]
            )
            second.append(folder / f"{number}-b.zip")
            export_bundle(shop, shop.records(), second[-1], name, DAY)
    return first, second


def main(arguments: Sequence[str]) -> None:
    """Print a table, each row from a process of its own."""
    if arguments[:1] == ["hub"]:
        shops, each = (int(text) for text in arguments[1:] or ("100", "100"))
        print(markdown(HUB_HEAD, [hub(shops, each)]))
        return
    rows = rows_of_processes(__file__, [int(text) for text in arguments] or [1_000, 10_000])
    print(markdown(HEAD, rows))


if __name__ == "__main__":
    if "--row" in sys.argv:
        print("\t".join(row(int(sys.argv[-1]))))
    else:
        main(sys.argv[1:])
