"""The tables of a library, as numbered migrations; a step once released is never changed.

`records` is the truth: the canonical JSON of every revision. All other tables are made from it and can be rebuilt.
"""

from __future__ import annotations

from typing import Final

from sqlite_utils import Database, Migrations

APPLICATION_ID: Final = 0x43425345
"""Marks the SQLite file as a casebase library (`CBSE`); see the SQLite file format, offset 68."""

MIGRATIONS: Final = Migrations("casebase")

DERIVED_TABLES: Final = ("networks", "modules", "codes", "readings", "steps", "trials", "profiles", "cases")
"""Made from `records`, emptied and filled again by a rebuild; `cases` last, because its full text depends on it."""

_CASE_COLUMNS: Final = {
    "id": str,  # `case_id` of records
    "revision": int,  # the current one, which the row is made from
    "kind": str,  # fault case or known good
    "status": str,  # open, fixed, fixed with cause not proven, not fixed; worked out from the record
    "title": str,  # as given, else made from vehicle, fault and codes
    "make": str,
    "model": str,
    "model_year": int,
    "platform": str,  # the maker's name of what models share
    "fault": str,  # word of the vocabulary, none where no cause is known
    "cause": str,  # the cause in one line
    "leftover": str,  # what stayed after the repair, in the author's words
    "author": str,  # handle
    "shop": str,
    "opened": str,  # day, ISO 8601
    "ended": str,  # day, ISO 8601
    "logged_at": str,  # UTC, ISO 8601
    "words": str,  # the record's free text, for full-text search
    "code_words": str,  # codes and names of modules, a line each, for full-text search
}
_ENTRY_COLUMNS: Final[dict[str, dict[str, type]]] = {
    "networks": {
        "name": str,  # as the shop calls it
        "medium": str,  # high-speed CAN, LIN, ...
        "bits_per_second": float,
        "reached": str,  # directly at the diagnostic connector, behind a gateway, not there
    },
    "modules": {
        "name": str,  # as the record says it
        "module_key": str,  # what the name means, by the table of modules
        "network": str,
        "answers": str,  # yes, no, intermittent
    },
    "codes": {
        "module": str,  # which reported it
        "code": str,  # as written, with its failure type
        "base": str,  # without the failure type
        "failure_type": int,  # the byte behind the code (ISO 15031-6)
        "statement": str,  # what the code states, such as lost communication
        "about": str,  # key of the module that it is about
        "status": str,  # such as confirmed or pending
        "text": str,  # as the scan report words it
    },
    "readings": {
        "network": str,
        "quantity": str,  # voltage, resistance, ...
        "line": str,  # where one lead is
        "against": str,  # where the other lead is
        "place": str,  # at which connector or module
        "ignition": str,
        "battery": str,  # connected or not
        "unplugged": str,  # modules taken off, `nothing` where it is said that none was
        "tester": str,  # whether a scan tester was talking
        "stage": str,  # as found, or after the repair
        "value": str,  # as written, with its unit
        "base_number": float,  # in the unit without prefix: volts, ohms, ...
    },
    "steps": {
        "did": str,
        "found": str,
        "minutes": float,
    },
}
"""Columns of step 0003, each table with `case_id` and `position`, from 0, in front; a later step adds its own."""


@MIGRATIONS(name="0001_records")
def _records(db: Database) -> None:
    """Every revision of every record, as canonical JSON."""
    db.table("records").create(
        {
            "case_id": str,  # Crockford's base 32, made from a digest of the first revision
            "revision": int,  # from 1
            "sha256": str,  # of `json`, as UTF-8
            "json": str,  # the record in canonical form
            "logged_at": str,  # UTC, ISO 8601
        },
        pk=("case_id", "revision"),
        not_null={"sha256", "json", "logged_at"},
    )
    db.table("records").create_index(["sha256"])


@MIGRATIONS(name="0002_facts")
def _facts(db: Database) -> None:
    """Small facts about the library itself: its purpose, the version of its derived tables."""
    db.table("facts").create(
        {
            "name": str,  # in plain words, such as `library id`
            "value": str,  # text, or JSON where there is more to it
        },
        pk="name",
        not_null={"value"},
    )


@MIGRATIONS(name="0003_derived_tables")
def _derived_tables(db: Database) -> None:
    """One row per case, and one per network, module, code, reading and step of it."""
    db.table("cases").create(_CASE_COLUMNS, pk="id")
    for name, columns in _ENTRY_COLUMNS.items():
        db.table(name).create({"case_id": str, "position": int, **columns}, pk=("case_id", "position"))
    db.table("profiles").create(
        {
            "case_id": str,
            "data": str,  # what is compared of the case, as JSON
        },
        pk="case_id",
        not_null={"data"},
    )
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
        {
            "case_id": str,
            "revision": int,  # the one that was read
            "said": str,  # agreed, returned, merged, withdrawn, stays inside
            "by": str,  # handle
            "at": str,  # UTC, ISO 8601
            "remark": str,
            "other": str,  # the case that it was merged into
        },
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
        {
            "name": str,
            "weight": float,  # of its cases beside the shop's own, 0 to 1
            "first_at": str,  # UTC, ISO 8601: when it was first heard of
            "last_at": str,  # UTC, ISO 8601: the last bundle that changed anything here
        },
        pk="name",
        not_null={"weight"},
    )
    db.table("taken_in").create(
        {
            "case_id": str,
            "source": str,  # name of the shop that sent it
            "their_id": str,  # the ID under which the case goes about
            "their_revision": int,  # as that shop counts
            "sha256": str,  # of the version that it sent last
            "beside": str,
            "at": str,  # UTC, ISO 8601
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
            "what": str,  # in which way it is open, such as `leftover`
            "new_case": str,
            "score": float,  # likeness, 0 to 1
            "probability": float,  # of the new case's cause for the question, 0 to 1
            "reasons": str,  # two lists of words as JSON: what agrees, what differs
            "found_at": str,  # UTC, ISO 8601
            "read_at": str,  # UTC, ISO 8601; none until it was read
        },
        pk=("open_case", "new_case"),
        not_null={"what", "score", "probability", "reasons", "found_at"},
    )


@MIGRATIONS(name="0009_authorship")
def _authorship(db: Database) -> None:
    """Who made a revision and in which way; those that an older casebase kept have no row."""
    db.table("authorship").create(
        {
            "case_id": str,
            "revision": int,
            "made": str,  # logged, edited, taken back, removed, brought back, ...
            "by": str,  # handle; of what was taken in the shop that sent it
            "text_of": int,  # of what was taken back: the earlier revision whose text this one has
            "remark": str,
        },
        pk=("case_id", "revision"),
        not_null={"made"},
    )
    db.table("authorship").create_index(["made"])


@MIGRATIONS(name="0010_trials")
def _trials(db: Database) -> None:
    """One row per trial of a case."""
    db.table("trials").create(
        {
            "case_id": str,
            "position": int,  # from 0
            "did": str,  # replaced, swapped, unplugged, ...
            "what": str,  # the parts it was done to
            "place": str,
            "used_part": str,  # yes or no, of a part fitted
            "configured": str,  # yes or no, of a part fitted
            "outcome": str,  # no change, gone, restored, ...
            "minutes": float,
            "note": str,
        },
        pk=("case_id", "position"),
    )


@MIGRATIONS(name="0011_layouts")
def _layouts(db: Database) -> None:
    """Every revision of every layout of a platform, as canonical JSON, and what the shop lead said of them."""
    db.table("layouts").create(
        {
            "layout_id": str,  # Crockford's base 32, as of a case; no case has the same
            "revision": int,  # from 1
            "sha256": str,  # of `json`, as UTF-8
            "json": str,  # the layout in canonical form
            "logged_at": str,  # UTC, ISO 8601
        },
        pk=("layout_id", "revision"),
        not_null={"sha256", "json", "logged_at"},
    )
    db.table("layouts").create_index(["sha256"])
    db.table("layout_words").create(
        {
            "layout_id": str,
            "revision": int,  # the one that was read
            "said": str,  # agreed, withdrawn, stays inside
            "by": str,  # handle
            "at": str,  # UTC, ISO 8601
            "remark": str,
        },
        not_null={"layout_id", "revision", "said", "by", "at"},
    )


@MIGRATIONS(name="0012_accepted_words")
def _accepted_words(db: Database) -> None:
    """Words that somebody took as harmless in what leaves the shop, where, who, and when."""
    db.table("accepted_words").create(
        {
            "word": str,  # as it is written: a word, or some words together
            "scope": str,  # empty: everywhere; a field such as `vehicle.model`; what stands for one text of one case
            "by": str,  # handle
            "at": str,  # UTC, ISO 8601
        },
        pk=("word", "scope"),
        not_null={"by", "at"},
    )


@MIGRATIONS(name="0013_source_keys")
def _source_keys(db: Database) -> None:
    """The key by which a source signs, as the lead took it to be theirs; every one that it had."""
    db.table("source_keys").create(
        {
            "source": str,  # name of the shop
            "public_key": str,  # Ed25519, hexadecimal
            "at": str,  # UTC, ISO 8601: when it was taken as theirs; the last one holds
        },
        not_null={"source", "public_key", "at"},
    )


@MIGRATIONS(name="0014_shop_tokens")
def _shop_tokens(db: Database) -> None:
    """What lets a shop send to this hub over the network, and which bundles came in that way."""
    db.table("shop_tokens").create(
        {
            "sha256": str,  # of the token: 256 random bits, which stand nowhere here
            "source": str,  # name of the shop, the only one under which it can send
            "fingerprint": str,  # of the shop's key, as the shop told the lead; hexadecimal
            "key_before": str,  # the shop's key when the lead was told, hexadecimal; none yet: null
            "made_at": str,  # UTC, ISO 8601
            "used_at": str,
            "revoked_at": str,
        },
        pk="sha256",
        not_null={"source", "fingerprint", "made_at"},
    )
    db.table("received_bundles").create(
        {
            "sha256": str,  # of the whole file
            "source": str,  # name of the shop that sent it
            "at": str,  # UTC, ISO 8601
            "told": str,  # JSON: how many cases became what
        },
        pk=("sha256", "source"),
        not_null={"at", "told"},
    )


FORMER_STEPS: Final = ("0008_attachments", "0009_news")
"""Names under which libraries of 25 November 2026 know steps that were numbered anew the same day."""


def adopt_former_steps(db: Database) -> None:
    """Let a library that knows steps by their former names know them by those of today.

    Its table of attachments stays where it is; news of the first form, which is made again, goes.
    """
    there = {step.name for step in MIGRATIONS.applied(db)}
    if not there.intersection(FORMER_STEPS):
        return
    steps = db.table(MIGRATIONS.migrations_table)
    if "0009_news" in there:
        if "what" in db.table("news").columns_dict:
            steps.insert(
                {**next(steps.rows_where("name = '0009_news'")), "name": "0008_news"}, pk="id", replace=True
            )
        else:
            db.table("news").drop()
    steps.delete_where("name IN (?, ?)", list(FORMER_STEPS))
