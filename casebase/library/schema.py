"""The tables of a library, as numbered migrations; a step once released is never changed.

`records` is the truth: the canonical JSON of every revision. All other tables are made from it and can be rebuilt.
"""

from __future__ import annotations

from typing import Final

from sqlite_utils import Database, Migrations

APPLICATION_ID: Final = 0x43425345
"""Marks the SQLite file as a casebase library (`CBSE`); see the SQLite file format, offset 68."""

MIGRATIONS: Final = Migrations("casebase")

DERIVED_TABLES: Final = ("networks", "modules", "codes", "readings", "steps", "profiles", "cases")
"""Made from `records`, emptied and filled again by a rebuild; `cases` last, for its full text hangs on it."""


_CASE_COLUMNS: Final = {
    "id": str,
    "revision": int,
    "kind": str,
    "status": str,
    "title": str,
    "make": str,
    "model": str,
    "model_year": int,
    "platform": str,
    "fault": str,
    "cause": str,
    "leftover": str,
    "author": str,
    "shop": str,
    "opened": str,
    "ended": str,
    "logged_at": str,
    "words": str,
    "code_words": str,
}
_ENTRY_COLUMNS: Final[dict[str, dict[str, type]]] = {
    "networks": {"name": str, "medium": str, "bits_per_second": float, "reached": str},
    "modules": {"name": str, "module_key": str, "network": str, "answers": str},
    "codes": {
        "module": str,
        "code": str,
        "base": str,
        "failure_type": int,
        "statement": str,
        "about": str,
        "status": str,
        "text": str,
    },
    "readings": {
        "network": str,
        "quantity": str,
        "line": str,
        "against": str,
        "place": str,
        "ignition": str,
        "battery": str,
        "unplugged": str,
        "tester": str,
        "stage": str,
        "value": str,
        "base_number": float,
    },
    "steps": {"did": str, "found": str, "minutes": float},
}
"""Columns of step 0003; a later step adds its own beside it."""


@MIGRATIONS(name="0001_records")
def _records(db: Database) -> None:
    """Every revision of every record, as canonical JSON."""
    db.table("records").create(
        {"case_id": str, "revision": int, "sha256": str, "json": str, "logged_at": str},
        pk=("case_id", "revision"),
        not_null={"sha256", "json", "logged_at"},
    )
    db.table("records").create_index(["sha256"])


@MIGRATIONS(name="0002_facts")
def _facts(db: Database) -> None:
    """Small facts about the library itself: its purpose, the version of its derived tables."""
    db.table("facts").create({"name": str, "value": str}, pk="name", not_null={"value"})


@MIGRATIONS(name="0003_derived_tables")
def _derived_tables(db: Database) -> None:
    """One row per case, and one per network, module, code, reading and step of it."""
    db.table("cases").create(_CASE_COLUMNS, pk="id")
    for name, columns in _ENTRY_COLUMNS.items():
        db.table(name).create({"case_id": str, "position": int, **columns}, pk=("case_id", "position"))
    db.table("profiles").create({"case_id": str, "data": str}, pk="case_id", not_null={"data"})
    db.table("cases").create_index(["make", "model"])
    db.table("codes").create_index(["base"])
    db.table("modules").create_index(["module_key"])


@MIGRATIONS(name="0004_full_text")
def _full_text(db: Database) -> None:
    """Full text over the words, codes and modules of a case, kept in step by triggers."""
    db.table("cases").enable_fts(
        ["title", "make", "model", "words", "code_words"], tokenize="porter unicode61", create_triggers=True
    )


FIRST_INSIDE: Final = "0005_reviews"
"""From this step on the tables are the shop's own business: a frozen file is made without them."""


@MIGRATIONS(name="0005_reviews")
def _reviews(db: Database) -> None:
    """What the shop lead said of a revision, when, and with which remark; the last word of a revision counts."""
    db.table("reviews").create(
        {"case_id": str, "revision": int, "said": str, "by": str, "at": str, "remark": str, "other": str},
        not_null={"case_id", "revision", "said", "by", "at"},
    )
    db.table("reviews").create_index(["case_id", "revision"])


@MIGRATIONS(name="0006_private_names")
def _private_names(db: Database) -> None:
    """Names of people that must not leave the shop."""
    db.table("private_names").create({"name": str}, pk="name")


@MIGRATIONS(name="0007_sources")
def _sources(db: Database) -> None:
    """Other shops whose bundles were taken in, how much their cases weigh, and which versions of a case went about.

    `beside` is the case, by the ID it has everywhere, beside which this one stands because both were edited.
    `exchanged` holds the SHA-256 of every version of a case that left the shop or came in.
    """
    db.table("sources").create(
        {"name": str, "weight": float, "first_at": str, "last_at": str}, pk="name", not_null={"weight"}
    )
    db.table("taken_in").create(
        {
            "case_id": str,
            "source": str,
            "their_id": str,
            "their_revision": int,
            "sha256": str,
            "beside": str,
            "at": str,
        },
        pk=("case_id", "source"),
        not_null={"their_id", "their_revision", "sha256", "at"},
    )
    db.table("taken_in").create_index(["their_id"])
    db.table("exchanged").create({"case_id": str, "sha256": str}, pk=("case_id", "sha256"))


@MIGRATIONS(name="0008_news")
def _news(db: Database) -> None:
    """Which new case explains which open question, why, and whether that was read; nothing is told twice."""
    db.table("news").create(
        {
            "open_case": str,
            "what": str,
            "new_case": str,
            "score": float,
            "probability": float,
            "reasons": str,
            "found_at": str,
            "read_at": str,
        },
        pk=("open_case", "new_case"),
        not_null={"what", "score", "probability", "reasons", "found_at"},
    )
