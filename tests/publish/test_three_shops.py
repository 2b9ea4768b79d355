"""Three shops that log, edit and send each other bundles in any order: in the end all hold the same cases."""

import json
import tempfile
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from casebase.library.store import Library
from casebase.publish.bundle import export_bundle
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.taking_in import Became, take_in
from casebase.record.loading import case_from_data

pytestmark = pytest.mark.slow

SHOPS = ("north", "south", "west")
A_SHOP = st.sampled_from(SHOPS)


def a_case(text, **keys):
    """Return a record told by its symptom."""
    vehicle = {"make": "Norrvik", "model": "Fjellet", "vin": "1M8GDM9AXKP042788"}
    data = {"kind": "fault case", "vehicle": vehicle, "symptoms": [text], "concern": f"words on {text}"}
    return case_from_data(data | keys, "a test")


def symptoms_in(library):
    """Return what the cases of a library tell: each of them, by the text that no other has."""
    return sorted(kept.case.symptoms[0] for kept in library.records())


def ever_written_in(library):
    """Return every text that any revision of a case in the library told."""
    with library.reading() as db:
        return {json.loads(text)["symptoms"][0] for (text,) in db.execute("SELECT json FROM records")}


class ThreeShops(RuleBasedStateMachine):
    """Every shop logs, edits whatever it has, and sends all of it to another; bundles may arrive late and again."""

    def __init__(self):
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.place = Path(self.folder.name)
        self.shops = {name: Library.create(self.place / f"{name}.db") for name in SHOPS}
        self.written = {name: set() for name in SHOPS}
        self.number = 0
        self.on_their_way = []

    @initialize(shops=st.lists(A_SHOP, min_size=1, max_size=3))
    def begin(self, shops):
        """Some shops have a case."""
        for shop in shops:
            self.log(shop)

    def text(self, shop):
        """Return a text that nobody wrote before, and remember who did."""
        self.number += 1
        self.written[shop].add(text := f"symptom {self.number}")
        return text

    @rule(shop=A_SHOP)
    def log(self, shop):
        """A shop logs a job of its own."""
        self.shops[shop].log([a_case(self.text(shop))])

    @rule(shop=A_SHOP, which=st.integers(min_value=0))
    def edit(self, shop, which):
        """A shop edits a case, its own or one that was sent."""
        there = self.shops[shop].records()
        if there:
            kept = there[which % len(there)]
            told = {"id": kept.case_id, "revision": kept.revision, "symptoms": [self.text(shop)]}
            self.shops[shop].log([kept.case.model_copy(update=told)])

    @rule(shop=A_SHOP, which=st.integers(min_value=0))
    def note_inside(self, shop, which):
        """A shop adds what stays inside."""
        there = self.shops[shop].records()
        if there:
            kept = there[which % len(there)]
            self.number += 1
            told = {"id": kept.case_id, "revision": kept.revision, "concern": f"their words {self.number}"}
            self.shops[shop].log([kept.case.model_copy(update=told)])

    @rule(sender=A_SHOP)
    def post(self, sender):
        """A shop writes a bundle; nobody has opened it yet."""
        if self.shops[sender].records():
            self.number += 1
            bundle = self.place / f"{self.number}.zip"
            export_bundle(self.shops[sender], self.shops[sender].records(), bundle, sender, "2026-11-25")
            self.on_their_way.append(bundle)

    @rule(receiver=A_SHOP, which=st.integers(min_value=0))
    def open_one(self, receiver, which):
        """A shop takes in a bundle that was written at some time, for the second time too."""
        if self.on_their_way:
            self.take_in(self.on_their_way[which % len(self.on_their_way)], receiver)

    def take_in(self, bundle, receiver):
        """Take in a bundle twice: the second time changes nothing."""
        library = self.shops[receiver]
        take_in(library, checked_bundle(bundle, public_case))
        before = symptoms_in(library)
        again = take_in(library, checked_bundle(bundle, public_case))
        assert {one.became for one in again.cases} == {Became.ALREADY_THERE}
        assert symptoms_in(library) == before

    def send(self, sender, receiver):
        """A shop sends all its cases to another."""
        self.post(sender)
        if self.on_their_way:
            self.take_in(self.on_their_way[-1], receiver)

    def teardown(self):
        """Everybody sends to everybody: all have the same cases, and nothing that was written is lost."""
        try:
            for _ in range(2):
                for sender in SHOPS:
                    for receiver in SHOPS:
                        if sender != receiver and self.shops[sender].records():
                            self.send(sender, receiver)
            north, south, west = (symptoms_in(self.shops[name]) for name in SHOPS)
            assert north == south == west
            for name, library in self.shops.items():
                assert library.faults() == []
                assert self.written[name] <= ever_written_in(library)
        finally:
            for library in self.shops.values():
                with suppress(Exception):
                    library.close()
            self.folder.cleanup()


TestThreeShops = ThreeShops.TestCase
TestThreeShops.settings = settings(
    max_examples=40,
    stateful_step_count=15,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
