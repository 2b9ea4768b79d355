"""Questions with a known answer: a solved case asked as if it were stuck, and which past cases would have helped."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import InputError
from casebase.match.evaluation.metrics import Bools
from casebase.match.facets.arrays import Floats
from casebase.match.profile import Profile
from casebase.record.vocabulary import Fault, Status

MODEL, CAUSE = "model", "cause"
"""The groups by which questions are held back together."""

MOST_QUESTIONS: Final = 300
"""More questions than this narrow no interval that matters (a share of .8 is then known to .05 either way)."""

_EQUAL_DIGITS: Final = 9
"""Scores that differ less are equal: what is left is the order in which a machine adds."""

Groups = NDArray[np.str_]
Progress = Callable[[int, int], None]
"""Called with (done, of how many)."""


@dataclass(frozen=True)
class Comparison:
    """One job compared with every case: shapes (cases, parts), and (parts,) for the job itself.

    `likeness` is 0..1, NaN where unknown. `known` is how much of a part could be compared, 0..1, and `known_to_job` how
    much of it the job tells. Raises InputError where the shapes do not fit or a known likeness is no number.
    """

    parts: tuple[str, ...]
    likeness: Floats
    known: Floats
    known_to_job: Floats

    def __post_init__(self) -> None:
        shape = (len(self.likeness), len(self.parts))
        if self.likeness.shape != shape or self.known.shape != shape or self.known_to_job.shape != shape[1:]:
            raise InputError(
                f"a comparison of {shape[1]} parts has arrays of {self.likeness.shape}, {self.known.shape} and"
                f" {self.known_to_job.shape}: expected (cases, parts) twice, and (parts,)"
            )
        if np.isnan(self.likeness[self.known > 0]).any():
            raise InputError("a comparison has a part that is known and no likeness: expected 0 to 1")

    @property
    def shares(self) -> Floats:
        """Likeness times how much was known; 0 where unknown."""
        return np.where(self.known > 0, self.known * np.nan_to_num(self.likeness), 0.0)

    def scores(self, weights: Floats) -> Floats:
        """Return the score of every case: the weighted mean of likeness, tempered by how much was known.

        `weights` are (parts,), or (parts, variants) for scores of (cases, variants). Only their proportions count.
        """
        known, own = self.known @ weights, self.known_to_job @ weights
        reached = np.minimum(1.0, known / np.where(own > 0, own, np.inf))
        mean = (self.shares @ weights) / np.where(known > 0, known, 1.0)
        return np.asarray(np.round(np.sqrt(reached) * mean, _EQUAL_DIGITS))


@dataclass(frozen=True)
class Question:
    """A comparison whose answer is known; every array has one entry per case.

    `relevant` cases would have helped, `look_alike` ones would have misled, `candidate` ones may be answered with (all
    where left out). `groups` names what the question belongs to and `case_groups` what each case does, by `MODEL` and
    `CAUSE`.
    """

    comparison: Comparison
    relevant: Bools
    groups: Mapping[str, str] = field(default_factory=dict)
    look_alike: Bools | None = None
    candidate: Bools | None = None
    case_groups: Mapping[str, Groups] = field(default_factory=dict)

    @property
    def candidates(self) -> Bools:
        """The cases that may be answered with."""
        return np.ones(len(self.relevant), dtype=bool) if self.candidate is None else self.candidate

    @property
    def answerable(self) -> bool:
        """Whether any case would have helped."""
        return bool((self.relevant & self.candidates).any())

    @property
    def has_twin(self) -> bool:
        """Whether a case of the question's own model would have helped."""
        if MODEL not in self.groups or MODEL not in self.case_groups:
            return False
        of_model = self.case_groups[MODEL] == self.groups[MODEL]
        return bool((self.relevant & self.candidates & of_model).any())

    def without(self, split: str, held_back: Collection[str]) -> Question:
        """Return the question put to a library that lacks the cases of the groups `held_back`."""
        if split not in self.case_groups:
            return self
        return replace(self, candidate=self.candidates & ~np.isin(self.case_groups[split], list(held_back)))


def weights_in_order(weights: Mapping[str, float], parts: Sequence[str]) -> Floats:
    """Return `weights` in the order of `parts`; raises InputError where a part has none, or all are 0."""
    missing = [part for part in parts if part not in weights]
    if missing:
        raise InputError(f"no weight for {', '.join(missing)}: expected one for each of {', '.join(parts)}")
    found = np.array([weights[part] for part in parts], dtype=np.float64)
    if (found < 0).any() or not found.sum():
        raise InputError(f"weights {found.tolist()}: expected none below 0 and at least one above")
    return found


def same_fault_same_kind_of_place(query: Profile, past: Profile) -> bool:
    """Return whether the past case would have helped: the same fault, and the same kind of place where both tell it."""
    if query.fault is None or query.fault != past.fault or query.fault == Fault.NONE:
        return False
    return None in (query.cause_place, past.cause_place) or query.cause_place == past.cause_place


def looks_alike(query: Profile, past: Profile) -> bool:
    """Return whether the past case would have misled: the same model, a code in common, and another fault."""
    if model_of(query) != model_of(past) or None in (query.fault, past.fault) or query.fault == past.fault:
        return False
    return bool({code.base for code in query.codes} & {code.base for code in past.codes})


def worth_asking(profile: Profile) -> bool:
    """Return whether a case is solved, so that asking it again has a known answer."""
    fixed = profile.status in (Status.FIXED_VERIFIED, Status.FIXED_NOT_PROVEN)
    return fixed and profile.fault is not None and profile.fault != Fault.NONE


def chosen(profiles: Iterable[Profile], most: int = MOST_QUESTIONS) -> list[Profile]:
    """Return the solved cases to ask again, by ID, evenly thinned out to `most`."""
    solved = sorted(filter(worth_asking, profiles), key=lambda profile: profile.case_id)
    places = np.linspace(0, len(solved), min(most, len(solved)), endpoint=False).astype(int)
    return [solved[place] for place in places]


def leave_one_out(
    jobs: Iterable[tuple[Profile, Profile]],
    pasts: Sequence[Profile],
    compare: Callable[[Profile], Comparison],
    progress: Progress | None = None,
) -> list[Question]:
    """Return one question for each (profile as a stuck job, profile as solved), its own case left out.

    `compare` gives a row for each of `pasts`, in their order. Raises InputError for a job that still names its cause
    (`hiding.as_stuck_job` takes it away), and where `compare` answers for another number of cases.
    """
    asked = list(jobs)
    case_groups = {split: np.array([group(past) for past in pasts]) for split, group in _GROUPS.items()}
    questions = []
    for done, (stuck, solved) in enumerate(asked, start=1):
        questions.append(_question(stuck, solved, pasts, compare(_checked(stuck)), case_groups))
        if progress:
            progress(done, len(asked))
    return questions


def model_of(profile: Profile) -> str:
    """Return make and model."""
    return f"{profile.make} {profile.model}"


def _question(
    stuck: Profile,
    solved: Profile,
    pasts: Sequence[Profile],
    comparison: Comparison,
    case_groups: Mapping[str, Groups],
) -> Question:
    if len(comparison.known) != len(pasts):
        raise InputError(
            f"{stuck.case_id} compared with {len(comparison.known)} cases: expected {len(pasts)}"
        )
    return Question(
        comparison,
        relevant=np.array([same_fault_same_kind_of_place(solved, past) for past in pasts], dtype=bool),
        groups={split: group(solved) for split, group in _GROUPS.items()},
        look_alike=np.array([looks_alike(solved, past) for past in pasts], dtype=bool),
        candidate=np.array([past.case_id != stuck.case_id for past in pasts], dtype=bool),
        case_groups=case_groups,
    )


def _checked(stuck: Profile) -> Profile:
    if stuck.fault or stuck.cause_module or stuck.cause_place or stuck.settled_by:
        raise InputError(f"{stuck.case_id} still names its cause: hide it before it is asked")
    return stuck


_GROUPS: Final[dict[str, Callable[[Profile], str]]] = {
    MODEL: model_of,
    CAUSE: lambda profile: profile.fault or "",
}
