"""What waits for the shop lead: in the right order, though only what is listed is judged."""

import pytest

from casebase.library import review_queue as waiting_module
from casebase.library.review_queue import waiting
from casebase.library.store import Library
from casebase.record.loading import case_from_data

OHMS = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "battery": "disconnected"}
OHMS |= {"ignition": "off", "unplugged": "nothing"}
ENDED = {"ended": "2026-11-20"}


@pytest.fixture
def library(tmp_path):
    """Records that lack this and that; in one of the most complete the readings clash with the cause."""
    vehicle = {"make": "Norrvik", "model": "Fjellet"}
    network = [{"name": "a", "medium": "high-speed CAN"}]
    whole = {
        "steps": [{"did": "Full scan."}],
        "modules": [{"name": "ABS", "answers": "no"}],
        "networks": network,
    }
    told = [
        whole | {"cause": {"fault": "low_open", "proof": "seen"}, "readings": [OHMS | {"value": "0.3 ohm"}]},
        whole | {"cause": {"fault": "lines_shorted_together"}, "readings": [OHMS | {"value": "0.3 ohm"}]},
        whole
        | {"cause": {"fault": "configuration", "proof": "seen"}, "readings": [OHMS | {"value": "60.2 ohm"}]},
        {"cause": {"fault": "configuration"}},
        {"networks": network},
    ]
    with Library.create(tmp_path / "shop.db") as made:
        made.log(
            [
                case_from_data(
                    {"kind": "fault case", "vehicle": vehicle, "symptoms": [f"{place}"], "provenance": ENDED}
                    | one,
                    "a test",
                )
                for place, one in enumerate(told)
            ]
        )
        made.log([case_from_data({"kind": "fault case", "vehicle": vehicle, "symptoms": ["open"]}, "a test")])
        yield made


def test_the_most_complete_waits_first_and_a_clash_costs_its_place(library, simulated_buses):
    """60 ohm and a configuration go together; .3 ohm and an open line do not."""
    found, count = waiting(library, simulated_buses / "casebase" / "simulated-buses")
    points = [one.complete.points for one in found]
    assert points == sorted(points, reverse=True)
    assert (len(found), count) == (5, 5)
    assert [one.kept.case.symptoms[0] for one in found] == ["2", "0", "1", "4", "3"]
    assert [bool(one.complete.clashes) for one in found] == [False, True, False, False, False]


def test_the_first_of_a_long_list_are_those_of_the_whole_list(library, simulated_buses, monkeypatch):
    """And what cannot come before them is not judged."""
    folder = simulated_buses / "casebase" / "simulated-buses"
    whole, _ = waiting(library, folder)
    judged = []
    original = waiting_module.completeness_of
    monkeypatch.setattr(
        waiting_module, "completeness_of", lambda case, buses: judged.append(case) or original(case, buses)
    )
    first, count = waiting(library, folder, 2)
    assert [one.kept.case_id for one in first] == [one.kept.case_id for one in whole[:2]]
    assert count == 5
    assert len(judged) == 2
