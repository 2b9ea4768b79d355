"""Private strings planted in the texts of thousands of records: how many are found, how many reach the edition.

python tests/bench/planted_private.py [RECORDS] [PLANTED] [SEED]

Strings are made from published formats by routines of this file, not by the detector's: VINs with a right check digit
(49 CFR 565.15) and European ones without, example numbers of `phonenumbers` for many countries written in its several
formats, addresses in the form of RFC 5322, plates of five countries behind a word or by their shape, names from a
private list. They are planted in public fields and in those that stay inside, in the metadata of attached pictures, and
in the lines of attached text files. Then the proposed texts are put in, as a
shop lead would, the records are frozen, and the raw bytes of the file are searched for every planted string. At the end
the same scan over the untouched records tells false alarms.
"""

from __future__ import annotations

import random
import re
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parent))

import phonenumbers
from multiplied_cases import multiplied
from planted_files import Files, clean_files, planted_in_files, with_line_put_in
from warm_clock import markdown

from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.publish.frozen import freeze
from casebase.publish.private_text import hits_in
from casebase.record.case import Case
from casebase.record.json_form import plain_data

VALUES: Final = {**{str(n): n for n in range(10)}, **dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", (1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3, 4, 5, 6, 7, 8, 9), strict=True))}  # fmt: skip  # noqa: E501
WEIGHTS: Final = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
LETTERS: Final = "ABCDEFGHJKLMNPRSTUVWXYZ"
NAMES: Final = ["Ottilie Brandvoll", "Ansgar Lindqvist", "Marit Sørensen", "J. Whitcombe-Hale", "Çelik"]
COUNTRIES: Final = ("GB", "DE", "FR", "IT", "NL", "SE", "NO", "US")
SENTENCES: Final = ("the owner left {}", "ask for {} at the desk", "{} said so", "noted: {}", "see {}, twice")


class Planter:
    """Makes private strings from a seed."""

    def __init__(self, seed: int) -> None:
        self.chosen = random.Random(seed)
        self.kinds: dict[str, Callable[[], str]] = {
            "VIN, North America": self.vin_with_check_digit,
            "VIN, Europe": self.vin_of_europe,
            "telephone number": self.phone,
            "e-mail address": self.email,
            "licence plate": self.plate,
            "name": lambda: self.chosen.choice(NAMES),
        }

    def vin_with_check_digit(self) -> str:
        """Return a VIN whose ninth position checks the others."""
        letters = [self.chosen.choice(LETTERS + "0123456789") for _ in range(13)] + [
            self.chosen.choice("0123456789") for _ in range(4)
        ]
        rest = sum(VALUES[letter] * weight for letter, weight in zip(letters, WEIGHTS, strict=True)) % 11
        letters[8] = "X" if rest == 10 else str(rest)
        return "".join(letters)

    def vin_of_europe(self) -> str:
        """Return a VIN as European makers write it: fillers, and digits at the end."""
        return "".join(
            [
                *(self.chosen.choice(LETTERS) for _ in range(3)),
                "ZZZ",
                *(self.chosen.choice(LETTERS + "0123456789") for _ in range(5)),
                *(self.chosen.choice("0123456789") for _ in range(6)),
            ]
        )

    def phone(self) -> str:
        """Return a number that exists as an example, in one of the ways to write it."""
        number = phonenumbers.example_number_for_type(
            self.chosen.choice(COUNTRIES), self.chosen.choice([0, 1])
        )
        form = self.chosen.choice(
            [phonenumbers.PhoneNumberFormat.INTERNATIONAL, phonenumbers.PhoneNumberFormat.E164]
        )
        return phonenumbers.format_number(number, form)

    def email(self) -> str:
        """Return an address."""
        name = "".join(self.chosen.choice("abcdefghijklmnop0123456789") for _ in range(7))
        middle = self.chosen.choice(["", ".", "_", "+box"])
        host = self.chosen.choice(["nordlia", "post-box", "mail.two"])
        return f"{name}{middle}{'x' if middle in '._' else ''}@{host}.example"

    def plate(self) -> str:
        """Return a plate, in a form told by its shape or behind a word."""
        one = lambda letters, count: "".join(self.chosen.choice(letters) for _ in range(count))  # noqa: E731
        return self.chosen.choice(
            [
                lambda: f"{one('ABCDEFGHJK', 2)}{self.chosen.randrange(10, 75)} {one('ABCDEFGH', 3)}",
                lambda: f"{one(LETTERS, 2)}-{one(LETTERS, 2)} {self.chosen.randrange(100, 9999)}",
                lambda: f"{one('ABCDEFGH', 2)}-{self.chosen.randrange(100, 999)}-{one('ABCDEFGH', 2)}",
                lambda: f"plate {one(LETTERS, 2)} {self.chosen.randrange(10000, 99999)}",
                lambda: f"reg. {one(LETTERS, 3)} {self.chosen.randrange(100, 999)}",
            ]
        )()


def text_places(data: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of every free text of a record's data."""
    if isinstance(data, dict):
        for key, value in data.items():
            # What was done in a trial is a word of the vocabulary, in a step it is free text.
            if isinstance(value, str) and key in FREE and path[:1] != ("trials",):
                yield (*path, key)
            yield from text_places(value, (*path, key))
    elif isinstance(data, list):
        for place, value in enumerate(data):
            if isinstance(value, str) and path[-1] == "symptoms":
                yield (*path, place)
            yield from text_places(value, (*path, place))


FREE: Final = {"concern", "did", "found", "note", "proof", "leftover", "done", "text", "shows", "title"}


def put(data: Any, path: tuple[Any, ...], change: Callable[[str], str]) -> None:
    """Change one text of a record's data."""
    for step in path[:-1]:
        data = data[step]
    data[path[-1]] = change(data[path[-1]])


def planted(records: list[dict[str, Any]], count: int, seed: int) -> list[tuple[str, str, str]]:
    """Plant strings in the records; return (kind, field, string) of each."""
    planter, told = Planter(seed), []
    for number in range(count):
        kind = list(planter.kinds)[number % len(planter.kinds)]
        string, record = planter.kinds[kind](), planter.chosen.choice(records)
        path = planter.chosen.choice(list(text_places(record)))
        sentence = planter.chosen.choice(SENTENCES).format(string)
        put(record, path, lambda text, sentence=sentence: f"{text} {sentence}."[-3500:])
        told.append((kind, re.sub(r"\.\d+", "[]", ".".join(map(str, path))), string))
    return told


def kept_of(records: list[dict[str, Any]]) -> list[StoredRecord]:
    """Return records as a library keeps them."""
    return [
        StoredRecord(f"{place:08}", 1, "", Case.model_validate(data)) for place, data in enumerate(records)
    ]


def with_proposals(kept: list[StoredRecord], names: list[str], files: Files) -> list[StoredRecord]:
    """Return the records with every proposed text put in, until none is proposed any more."""
    for _ in range(3):
        hits = hits_in(kept, names, (), files.__getitem__)
        if not hits:
            break
        by_id = {one.case_id: one for one in kept}
        for hit in hits:
            anew = with_line_put_in(by_id[hit.case_id], hit, files)
            if anew is not None:
                by_id[hit.case_id] = anew
                continue
            data = plain_data(by_id[hit.case_id].case)
            steps = [int(step) if step.isdigit() else step for step in re.findall(r"\w+", hit.field)]
            put(data, tuple(steps), lambda _, hit=hit: hit.proposed)
            by_id[hit.case_id] = StoredRecord(hit.case_id, 1, "", Case.model_validate(data))
        kept = list(by_id.values())
    return kept


def files_in(path: Path) -> list[bytes]:
    """Return the attached files of an edition, whole: on the disk they lie in pieces."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT content FROM files UNION ALL SELECT json FROM records").fetchall()
    return [one if isinstance(one, bytes) else one.encode() for (one,) in rows]


def main(count: int, strings: int, seed: int) -> int:
    """Plant, scan, mask, freeze, search."""
    clean = list(multiplied(count))
    records = [
        Case.model_validate(data).model_dump(mode="json", exclude_none=True, exclude_defaults=True)
        for data in clean
    ]
    in_files, files = strings // 4, Files(seed)
    told = planted(records, strings - in_files, seed)
    planter = Planter(seed + 1)
    kinds = list(planter.kinds)
    string_of = lambda number: (kinds[number % len(kinds)], planter.kinds[kinds[number % len(kinds)]]())  # noqa: E731
    told += planted_in_files(files, records, string_of, in_files)
    kept = kept_of(records)
    found = hits_in(kept, NAMES, (), files.__getitem__)
    texts = {hit.text for hit in found}
    # The metadata of a picture is not found but gone: the search at the end tells.
    inside = ("concern", "attachments", "picture metadata", "attached text, inside")
    seen, whole = Counter[str](), Counter[str]()
    missed = []
    for kind, field, string in told:
        if field.startswith(inside):
            continue
        whole[kind] += 1
        if any(string in text for text in texts):
            seen[kind] += 1
        else:
            missed.append((kind, field, string))
    print(f"## {count:,} records, {strings:,} planted strings, seed {seed}\n")
    print(
        markdown(
            ("kind", "planted in public fields", "found"),
            [[kind, str(whole[kind]), str(seen[kind])] for kind in whole],
        )
    )
    in_pictures = sum(field.startswith("picture") for _, field, _ in told)
    print(f"\nPlanted in the metadata of pictures: {in_pictures}, each in every place a picture has.")
    print(f"Planted in what stays inside: {len(told) - sum(whole.values()) - in_pictures}.")
    print("Missed:", missed[:10] or "none")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cases.db"
        freeze(with_proposals(kept, NAMES, files), path, {}, Means(), contents=files.__getitem__)
        content = path.read_bytes() + b"".join(files_in(path))
    survivors = [one for one in told if one[2].encode() in content]
    print(
        f"In the bytes of the edition after the proposals were taken: {len(survivors)} {survivors[:5] or ''}"
    )
    clean_files(files, clean, count // 10)
    alarms = hits_in(kept_of(clean), NAMES, (), files.__getitem__)
    print(
        f"False alarms in the {count:,} untouched records with {2 * (count // 10):,} files: {len(alarms)}"
        f" ({1000 * len(alarms) / count:.1f} per 1,000)"
    )
    for hit in alarms[:10]:
        print(" ", hit.sentence()[:200])
    return bool(survivors)


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    sys.exit(main(*(given + [5000, 2000, 1][len(given) :])))
