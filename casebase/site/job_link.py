"""The link is the job: a stuck job read from the pairs of an address's query, and written as such.

Fields, all optional: `make`, `model`, `year`, `platform`, `powertrain`, `engine`; `medium`, `rate`, `reached`,
`terminators`; `lamps` and `conditions` (repeated); `silent`, `sometimes`, `answer` (modules, separated by commas or
lines); `codes` (a scan report or codes); `wrong` (in words); `tried` (a trial a line: `swapped TCM: no change`); and
per reading `r1.what`, `r1.value`, `r1.at`, `r1.state`, `r1.unplugged`, `r1.traffic`, `r1.looks` (repeated), `r2.what`
... A field whose name begins with `_` is the page's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Final

from casebase.errors import InputError
from casebase.intake.trial_text import read_trials
from casebase.record.case import Case
from casebase.record.checks import inconsistencies
from casebase.record.modules import module_identity
from casebase.record.problems import printable
from casebase.record.vehicle import NOT_SAID
from casebase.record.vocabulary import Answers, Condition, Kind, Lamp, Medium, Powertrain, Reached, YesNo
from casebase.record.yaml_form import record_yaml
from casebase.site.job_fields import MOST_OF_A_LIST, FieldReader, names_in, read_codes
from casebase.site.job_given import ROW_FIELD, FieldProblem, Given, fitting
from casebase.site.job_readings import ROW_FIELDS, network_names, read_rows

Data = dict[str, Any]


VEHICLE_FIELDS: Final = {"make": "make", "model": "model", "year": "model_year"} | {
    key: key for key in ("platform", "powertrain", "engine")
}
MEDIUM_FIELDS: Final = ("medium", "medium2", "medium3")
"""Kinds of the networks of a job; what is said of a network beside is of the first."""

NETWORK_FIELDS: Final = {"rate": "bit_rate", "reached": "reached"}
MODULE_FIELDS: Final = {"silent": Answers.NO, "sometimes": Answers.INTERMITTENT, "answer": Answers.YES}
WORD_FIELDS: Final = ("lamps", "conditions")
FIELDS: Final = (
    *VEHICLE_FIELDS, *MEDIUM_FIELDS, *NETWORK_FIELDS, "terminators", *WORD_FIELDS, *MODULE_FIELDS, "others", "codes",
    "wrong", "tried",
)  # fmt: skip
"""Every field but those of the readings (`job_readings.ROW_FIELDS`)."""

MOST_UNKNOWN_TOLD: Final = 5
_FILE_HEAD: Final = (
    "A job as it was asked. When it is solved, add steps, cause, fix and verification; then: casebase log"
)
_NO_FILE: Final = (
    "nothing to save yet: say what is wrong, or give a lamp, a code, a module that does not answer or a "
    "reading"
)


@dataclass(frozen=True)
class AskedJob:
    """A job as asked: the record made of what fits (None where nothing does), what does not, and all that was typed."""

    case: Case | None
    problems: list[FieldProblem]
    given: Given


def job_from_query(pairs: Sequence[tuple[str, str]]) -> AskedJob:
    """Return the job that the decoded pairs of a query tell; no text makes it raise."""
    read, too_large = fitting(pairs)
    reader = FieldReader(Given(read))
    reader.problems += too_large
    _tell_unknown_fields(reader)
    data = _record_data(reader)
    case = Case.model_validate({"kind": str(Kind.FAULT_CASE)} | data) if data else None
    return AskedJob(case, reader.told(), Given(tuple(pairs)))


def _record_data(reader: FieldReader) -> Data:
    """Return the record as plain data; nothing where nothing that fits was given."""
    networks = _networks(reader)
    media = [Medium(network["medium"]) for network in networks]
    codes = read_codes(reader.text("codes"))
    for typed, expected in codes.problems:
        reader.remark("codes", typed, expected)
    data: Data = {
        "vehicle": _vehicle(reader),
        "concern": _concern(reader),
        **{field: _words(reader, field) for field in WORD_FIELDS},
        "networks": networks,
        "modules": _modules(reader, codes.silent),
        "others_answer": reader.one("others", "others_answer"),
        "codes": codes.entries,
        "readings": read_rows(reader, media),
        "trials": _trials(reader),
    }
    told = {key: value for key, value in data.items() if value}
    unnamed = {"make": NOT_SAID, "model": NOT_SAID}
    return told | {"vehicle": unnamed | told.get("vehicle", {})} if told else {}


def _vehicle(reader: FieldReader) -> Data:
    found = {key: reader.one(field, f"vehicle.{key}") for field, key in VEHICLE_FIELDS.items()}
    return {key: text for key, text in found.items() if text}


def _concern(reader: FieldReader) -> str | None:
    text = reader.text("wrong")
    return text if text and reader.fits("wrong", text, "concern") else None


def _trials(reader: FieldReader) -> list[Data]:
    """Return what was tried, a line each."""
    trials, wrong = read_trials(reader.text("tried"))
    for line, expected in wrong:
        reader.refuse("tried", line, expected)
    return [trial.model_dump(mode="json", exclude_defaults=True) for trial in trials[:MOST_OF_A_LIST]]


def _words(reader: FieldReader, field: str) -> list[str]:
    """Return the words of a fixed list, each once however it is spelled."""
    words: type[Lamp] | type[Condition] = Lamp if field == "lamps" else Condition
    texts = reader.checked(field, names_in(reader.text(field)), f"{field}[0]")
    return list(dict.fromkeys(str(words(text)) for text in texts))


def _networks(reader: FieldReader) -> list[Data]:
    """Return the networks, which only their medium makes such."""
    typed = [reader.one(field, "networks[0].medium") for field in MEDIUM_FIELDS]
    media = [Medium(medium) for medium in typed if medium]
    rest = {key: reader.one(field, f"networks[0].{key}") for field, key in NETWORK_FIELDS.items()}
    holders = reader.names("terminators", "networks[0].terminators_in[0]")
    told = {key: text for key, text in (rest | {"terminators_in": holders}).items() if text}
    if media:
        names = network_names(media)
        first, *more = ({"name": name, "medium": str(one)} for name, one in zip(names, media, strict=True))
        return [first | told, *more]
    if told and not reader.given.several("medium"):
        reader.refuse(
            "medium", "", "not chosen: bit rate, DLC and terminators say nothing without it; choose it"
        )
    return []


def _modules(reader: FieldReader, silent_in_scan: list[str]) -> list[Data]:
    """Return every module once; what was typed counts more than what a scan report says."""
    found: dict[str, Data] = {}
    for field, answers in MODULE_FIELDS.items():
        for name in reader.names(field, "modules[0].name"):
            entry = {"name": name, "answers": str(answers)}
            before = found.setdefault(module_identity(name), entry)
            if before["answers"] != entry["answers"]:
                said = f"already given as {before['name']} (answers: {before['answers']}): leave it in one field only"
                reader.refuse(field, name, said)
    for name in silent_in_scan[:MOST_OF_A_LIST]:
        found.setdefault(module_identity(name), {"name": name, "answers": str(Answers.NO)})
    return list(found.values())


def _tell_unknown_fields(reader: FieldReader) -> None:
    unknown = [field for field in reader.given.fields if not _is_known(field)]
    for field in unknown[:MOST_UNKNOWN_TOLD]:
        close = get_close_matches(printable(field), FIELDS, n=1)
        hint = f"did you mean {close[0]}?" if close else f"expected one of {', '.join(FIELDS)}, r1.what ..."
        reader.refuse(field, reader.given.text(field), f"the form has no such field: {hint}")
    if len(unknown) > MOST_UNKNOWN_TOLD:
        reader.refuse(
            "the form", "", f"{len(unknown) - MOST_UNKNOWN_TOLD} more fields that the form does not have"
        )


def _is_known(field: str) -> bool:
    row = ROW_FIELD.fullmatch(field)
    return field in FIELDS or field.startswith("_") or (row is not None and row[2] in ROW_FIELDS)


# --- from a job to a file -----------------------------------------------------------------------------------------


def file_of(asked: AskedJob) -> str:
    """Return the job as a record file for `casebase log`; raise `InputError` where it says nothing of a fault yet."""
    if asked.case is None or inconsistencies(asked.case):
        raise InputError(_NO_FILE)
    head = [_FILE_HEAD]
    if NOT_SAID in (asked.case.vehicle.make, asked.case.vehicle.model):
        head.append(f"{NOT_SAID} stands for a make or model that was not given: write it in.")
    head += [f"Look at: {problem.sentence()}" for problem in asked.problems]
    return "".join(f"# {line}\n" for line in head) + record_yaml(asked.case)


# --- for the form -------------------------------------------------------------------------------------------------

_MEDIUM_WORDS: Final = {
    Medium.J1939: "J1939 (trucks, machines)",
}


def medium_choices() -> list[tuple[str, str]]:
    """Return (key, words) of the kinds of network."""
    return [(str(medium), _MEDIUM_WORDS.get(medium, str(medium))) for medium in Medium]


def powertrain_choices() -> list[tuple[str, str]]:
    """Return (key, words) of what can drive a vehicle."""
    return [(str(powertrain), str(powertrain)) for powertrain in Powertrain]


def others_choices() -> list[tuple[str, str]]:
    """Return (key, words) of what may be said of all modules that are not named."""
    return [(str(YesNo.YES), "answer"), (str(YesNo.NO), "none of them answers")]


def reached_choices() -> list[tuple[str, str]]:
    """Return (key, words) of how the diagnostic connector sees a network."""
    return [(str(reached), str(reached)) for reached in Reached]


def lamp_choices() -> list[tuple[str, str]]:
    """Return (key, words) of the warning lamps."""
    return [(str(lamp), str(lamp)) for lamp in Lamp]


def condition_choices() -> list[tuple[str, str]]:
    """Return (key, words) of when a fault can show."""
    return [(str(condition), str(condition)) for condition in Condition]
