"""A message in plain words on the site: evidence becomes the link of a job, words alone a search.

The link holds the message itself as `_said`, so that the page can show which words each entry came from, and the
answers to what was asked back as `_key` and `_network`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final
from urllib.parse import urlencode

from casebase.intake.plain_words.as_record import (
    answered,
    media_of,
    network_read,
    questions_on,
    record_of,
    shown_items,
)
from casebase.intake.plain_words.message import Item, Understood, understood_from
from casebase.match.index.search import alike_in_meaning
from casebase.publish.edition import Edition
from casebase.record.trial import Trial
from casebase.record.vocabulary import LINES_OF_MEDIUM, Medium, Quantity
from casebase.site import catalogue
from casebase.site.job_link import MEDIUM_FIELDS
from casebase.site.job_readings import STATES, choices_among
from casebase.site.lists import LONGEST_TEXT, address, cases_of_ids
from casebase.site.search_page import Found, hits_in
from casebase.site.state import OpenSite

Pairs = list[tuple[str, str]]

SAID: Final = "_said"
ANSWERED: Final = {"key": "_key", "network": "_network"}
"""The fields of the link that hold the answers to what was asked back."""

MOST_KEPT: Final = 4_000
"""Characters of a message that its link repeats; of a longer one the entries stand there, not their phrases.

So much of words alone, too: a browser takes no link of any length (RFC 9110, 4.1, asks for 8000 octets).
"""


def address_of_message(edition: Edition, said: str, replies: Mapping[str, str]) -> str:
    """Return where a message leads: to the job it tells, or to a search for its words."""
    text = said.strip()
    if not text:
        return "/job"
    understood = _understood(edition, text, replies)
    if not understood.has_evidence or _names_one_code(understood):
        if len(text) <= LONGEST_TEXT:
            return address("/search", q=text)
        return address("/job", wrong=text[:MOST_KEPT])
    return f"/job?{urlencode([*pairs_of(understood), *_kept(text, replies)], errors='replace')}"


def words_context(edition: Edition, pairs: Sequence[tuple[str, str]]) -> dict[str, Any]:
    """Return what the page of a job shows of the message that it came from; nothing where it came from none."""
    typed = dict(pairs)
    said = typed.get(SAID, "")
    if not said.strip():
        return {"said": "", "understood": [], "left": "", "questions": []}
    replies = {about: typed[field] for about, field in ANSWERED.items() if field in typed}
    understood = _understood(edition, said, replies)
    return {
        "said": said,
        "understood": shown_items(understood),
        "left": understood.story,
        "questions": [
            (
                one.question,
                [
                    (choice, address("/ask", say=said, **(replies | {one.about: choice})))
                    for choice in one.choices
                ],
            )
            for one in questions_on(understood)
        ],
    }


def _understood(edition: Edition, said: str, replies: Mapping[str, str]) -> Understood:
    understood = understood_from(said, catalogue.makes_and_models(edition))
    for question in questions_on(understood):
        if replies.get(question.about) in question.choices:
            understood = answered(understood, question.about, replies[question.about])
    return understood


def _names_one_code(understood: Understood) -> bool:
    """Return whether nothing but a code was typed: its page says more than a job of it alone."""
    items = understood.items
    return (
        len(items) == 1
        and items[0].kind == "codes"
        and "module" not in items[0].data
        and not understood.story
    )


def without_words(pairs: Sequence[tuple[str, str]]) -> Pairs:
    """Return the pairs of a link without the message it came from: the same job in a shorter address."""
    return [(field, text) for field, text in pairs if field != SAID and field not in ANSWERED.values()]


def _kept(said: str, replies: Mapping[str, str]) -> Pairs:
    if len(said) > MOST_KEPT:
        return []
    return [
        (SAID, said),
        *((ANSWERED[about], reply) for about, reply in replies.items() if about in ANSWERED),
    ]


# --- words alone ---------------------------------------------------------------------------------------------------

MOST_ALIKE: Final = 5


def alike_context(edition: Edition, site: OpenSite, context: Mapping[str, Any]) -> dict[str, Any]:
    """Return the cases whose story means what was searched for, beside those on the page that hold its words."""
    text, shown = context["q"], {one.row.case_id for one in context["found"].rows}
    collection = site.collection(edition)
    if not text or collection is None or site.embedder is None:
        return {"alike": []}
    found = alike_in_meaning(collection, text, site.embedder, MOST_ALIKE + len(shown))
    ids = [case_id for case_id, _ in found if case_id not in shown][:MOST_ALIKE]
    hits = hits_in(edition, ids, text)
    return {"alike": [Found(row, hits.get(row.case_id)) for row in cases_of_ids(edition, ids)]}


# --- as entries of the form -------------------------------------------------------------------------------------------


def pairs_of(understood: Understood) -> Pairs:
    """Return what was understood as the pairs of a job's link; what the form has no entry for goes into the words."""
    media = _networks(understood)
    rows, other = _rows(understood, media)
    record = record_of(understood)
    vehicle = {field: value for item in understood.of("vehicle") for field, value in item.data.items()}
    wrong = ". ".join(filter(None, [record.get("concern", ""), *other]))
    told: Pairs = [
        *((_FIELD_OF.get(key, key), str(value)) for key, value in vehicle.items()),
        *zip(MEDIUM_FIELDS, map(str, media), strict=False),
        *rows,
        ("codes", "\n".join(_code_line(item) for item in understood.of("codes"))),
        ("silent", _names(understood, "silent")),
        ("answer", _names(understood, "answers")),
        ("others", record.get("others_answer", "")),
        ("wrong", wrong),
        ("tried", "\n".join(Trial.model_validate(item.data).line() for item in understood.of("trials"))),
        *(("lamps", str(item.data)) for item in understood.of("lamps")),
        *(("conditions", str(item.data)) for item in understood.of("conditions")),
    ]
    return [(field, text) for field, text in told if text]


_FIELD_OF: Final = {"model_year": "year"}


def _networks(understood: Understood) -> list[Medium]:
    """Return the networks for the form to offer the lines of: those told, or the one that alone has the lines read."""
    told = list(map(Medium, media_of(understood)))
    lines = {item.data.get("line") for item in understood.of("readings")}
    fitting = [medium for medium, own in LINES_OF_MEDIUM.items() if lines & set(own)]
    return told[: len(MEDIUM_FIELDS)] or (fitting if len(fitting) == 1 else [])


def _code_line(item: Item) -> str:
    return " | ".join((item.data.get("module", ""), item.data["code"], item.data.get("status", "")))


def _names(understood: Understood, kind: str) -> str:
    return "\n".join(f'"{item.data}"' if "," in item.data else str(item.data) for item in understood.of(kind))


def _rows(understood: Understood, media: list[Medium]) -> tuple[Pairs, list[str]]:
    """Return the rows of the form for the readings, and the phrases of those that it has no row for."""
    rows: Pairs = []
    other: list[str] = []
    number = 1
    for item in understood.of("readings"):
        row = dict(_row(item, media))
        if "what" not in row:
            other.append(item.phrase)
            continue
        rows += [(f"r{number}.{name}", text) for name, text in row.items() if text]
        number += 1
    return rows, other


def _row(item: Item, media: list[Medium]) -> Iterator[tuple[str, str]]:
    """Yield the fields of a row for one reading; no `what` where the form does not have it."""
    data = item.data
    wanted = {key: data[key] for key in ("quantity", "line", "against") if key in data}
    seen = data.get("waveform")
    read_on = network_read(item, media)
    choices = [
        (key, choice)
        for medium, listed in choices_among(media)
        if read_on in (None, medium)
        for key, choice in listed
    ]
    key = next(
        (
            key
            for key, one in choices
            if (one.quantity is Quantity.WAVEFORM if seen else one.data() == wanted)
        ),
        None,
    )
    if key is None or "to" in data or "network" in data:
        return  # the form knows networks by their kind alone
    yield "what", key
    yield "value", data.get("value", "")
    yield "at", "" if data["at"] == "DLC" else data["at"]
    yield "state", _state(data)
    if "unplugged" in data:
        yield "unplugged", ", ".join(data["unplugged"]) or "nothing"
    if seen:
        yield "traffic", seen.get("traffic", "")
        yield "looks", ", ".join(seen.get("looks", []))


def _state(data: Mapping[str, Any]) -> str:
    """Return the state of the form's list that says what was said, `unknown` where none does or nothing was said."""
    said = {key: data[key] for key in ("ignition", "battery", "tester", "loaded") if key in data}
    if said == {"ignition": "off"} and data["quantity"] == "voltage":
        said["battery"] = "connected"  # volts are read of it
    return next((key for key, state in STATES.items() if state.data == said), "unknown")
