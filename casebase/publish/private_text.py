"""What looks private in the text of records and their attachments: where it stands, and the text proposed instead.

Of attachments that may leave the shop the names, what they show, and the lines of text files are examined. Nothing is
changed here: a hit stops the publication, and the shop lead decides.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any, Final

from casebase.errors import CaptureError
from casebase.intake.capture.trace import ENDING, is_row, trace_from
from casebase.library.accepted_files import FileKind, kind_of
from casebase.library.derived import StoredRecord
from casebase.library.privacy import cleared, mark_of, names
from casebase.library.store import Library
from casebase.publish.private_kinds import LEFT_OUT, Found, found_in
from casebase.publish.public_fields import Contents, public_case
from casebase.record.case import Attachment, Case
from casebase.record.json_form import plain_data
from casebase.record.problems import printable
from casebase.record.vocabulary import Market

_MADE_BY_A_CAMERA: Final = re.compile(
    r"(?<![0-9])(?:19|20)[0-9]{2}[-_. ]?[01][0-9][-_. ]?[0-3][0-9]"
    r"(?:(?:[-_. T]|at)*[0-2][0-9][-_.]?[0-5][0-9][-_.]?[0-5][0-9][0-9]{0,3})?(?![0-9])"
)
"""Day and time as cameras and telephones name their pictures, which read like a telephone number (common practice)."""


def texts_of_attachments(case: Case, contents: Contents | None) -> Iterator[tuple[str, str]]:
    """Yield every text of the attachments for others, with its place in the record; text files line by line.

    Without `contents`, which gives their bytes, the text files are left out.
    """
    for place, attachment in enumerate(case.attachments):
        if attachment.goes_out:
            where = f"attachments[{place}]"
            # The words of the name apart, and without the time that a camera gave it.
            name = _MADE_BY_A_CAMERA.sub(lambda found: "-" * len(found[0]), attachment.file)
            yield f"{where}.file", name.replace("_", " ")
            if attachment.shows:
                yield f"{where}.shows", attachment.shows
            yield from _lines(where, attachment, contents)


def _lines(where: str, attachment: Attachment, contents: Contents | None) -> Iterator[tuple[str, str]]:
    content = contents(str(attachment.sha256)) if contents else b""
    if kind_of(content) is FileKind.TEXT:
        text = content.decode("utf-8", "replace")
        figures = _is_trace(attachment.file, text)
        for number, line in enumerate(text.splitlines(), start=1):
            if line.strip() and not (figures and is_row(line)):
                yield f"{where} {attachment.file} line {number}", line


def _is_trace(name: str, text: str) -> bool:
    """Return whether a text is the trace of a capture, most of whose lines are rows of figures."""
    if not name.endswith(ENDING):
        return False
    try:
        trace_from(text)
    except CaptureError:
        return False
    return True


REGIONS: Final[dict[Market | None, tuple[str, ...]]] = {
    Market.EUROPE: ("GB", "DE", "FR", "IT", "ES", "NL", "BE", "SE", "NO", "DK", "PL", "HU"),
    Market.NORTH_AMERICA: ("US", "CA", "MX"),
    Market.SOUTH_AMERICA: ("BR", "AR", "CL"),
    Market.CHINA: ("CN",),
    Market.JAPAN: ("JP",),
    Market.KOREA: ("KR",),
    Market.INDIA: ("IN",),
    Market.SOUTH_EAST_ASIA: ("TH", "ID", "MY", "VN"),
    Market.MIDDLE_EAST: ("AE", "SA", "TR"),
    Market.AFRICA: ("ZA", "EG", "NG"),
    Market.OCEANIA: ("AU", "NZ"),
}
"""Countries (ISO 3166-1 alpha-2) whose way of writing telephone numbers is looked for (judged)."""

WHERE_UNKNOWN: Final = ("GB", "DE", "US")

_AROUND: Final = 25
"""Characters of the text that a sentence shows on either side."""


@dataclass(frozen=True)
class Hit:
    """Something that looks private: in which case and field, of which kind, the whole text, and where in it.

    `replaced` are the finds in whose place something else stands in the text that is proposed.
    """

    case_id: str
    field: str
    kind: str
    text: str
    begin: int
    end: int
    replaced: tuple[Found, ...]

    @property
    def proposed(self) -> str:
        """Return the text proposed; it is made when it is asked for, since a text may hold very many finds."""
        return masked(self.text, self.replaced)

    def sentence(self) -> str:
        """Return the hit as one sentence."""
        before = self.text[max(0, self.begin - _AROUND) : self.begin]
        after = self.text[self.end : self.end + _AROUND]
        seen = printable(f"{before}{self.text[self.begin : self.end]}{after}")
        return f"case {self.case_id}, {self.field}: {self.kind} in '{seen}'; instead: '{printable(self.proposed)}'"


def hits_of(library: Library, records: Iterable[StoredRecord]) -> list[Hit]:
    """Return what looks private in records of a library and their files, by its names and what its lead cleared."""
    return hits_in(records, names(library), cleared(library), library.files.read)


def hits_of_words(library: Library, given: Mapping[str, str | None]) -> list[str]:
    """Return in sentences what looks private in what an edition or bundle says of itself, by the option's name."""
    private_names = names(library)
    return [
        f"{option}: {one.kind} in '{printable(text)}': give it without"
        for option, text in given.items()
        if text is not None
        for one in found_in(text, private_names, WHERE_UNKNOWN)
    ]


def what_stops(found: Iterable[Hit], so: str) -> str:
    """Return the sentences of hits that stop something; `so` says what was not done."""
    told = "\n".join(hit.sentence() for hit in found)
    return (
        f"{told}\n{so}: put the proposed text into these records with casebase private ID --mask and agree to them, or"
        " mark a hit as none with casebase private ID --fine FIELD"
    )


def hits_in(
    kept: Iterable[StoredRecord],
    private_names: Sequence[str],
    cleared: Collection[str] = frozenset(),
    contents: Contents | None = None,
) -> list[Hit]:
    """Return what looks private in the public fields of records, but for the texts that were cleared.

    With `contents`, which gives the bytes of attached files, the text files among those for others are looked at too.
    """
    found = []
    for one in kept:
        regions = REGIONS.get(one.case.vehicle.market, WHERE_UNKNOWN)
        record = plain_data(public_case(one.case))
        record.pop("attachments", None)
        for field, text in chain(texts_of(record), texts_of_attachments(one.case, contents)):
            if mark_of(one.case_id, field, text) not in cleared:
                found += hits_in_text(one.case_id, field, text, private_names, regions)
    return found


def hits_in_text(
    case_id: str, field: str, text: str, private_names: Sequence[str], regions: Sequence[str]
) -> list[Hit]:
    """Return what looks private in one text; all of them propose the same text, every hit masked."""
    found = tuple(found_in(text, private_names, regions))
    return [Hit(case_id, field, one.kind, text, one.begin, one.end, found) for one in found]


def masked(text: str, found: Sequence[Found]) -> str:
    """Return the text with every find replaced by what may stand there."""
    put, done = [], 0
    for one in sorted(found, key=lambda one: one.begin):
        put += [text[done : one.begin], one.instead]
        done = one.end
    return "".join([*put, text[done:]])


def together(hits: Sequence[Hit]) -> list[Hit]:
    """Return hits of which all of one text propose the same, every one of them replaced."""
    by_text: dict[tuple[str, str], list[Hit]] = {}
    for hit in hits:
        by_text.setdefault((hit.case_id, hit.field), []).append(hit)
    return [
        replace(hit, replaced=put)
        for of_text in by_text.values()
        for put in [_all_of(of_text)]
        for hit in of_text
    ]


def _all_of(hits: Sequence[Hit]) -> tuple[Found, ...]:
    return tuple(Found(one.kind, one.begin, one.end, LEFT_OUT) for one in hits)


def texts_of(data: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Yield every text in plain data with its path: `steps[2].found`."""
    if isinstance(data, str):
        if re.search(r"\w", data):
            yield path, data
    elif isinstance(data, dict):
        for key, value in data.items():
            yield from texts_of(value, f"{path}.{key}" if path else key)
    elif isinstance(data, list):
        for place, value in enumerate(data):
            yield from texts_of(value, f"{path}[{place}]")
