"""Questions whose true weights are known, made of plain arrays."""

import numpy as np

from casebase.match.evaluation.questions import CAUSE, MODEL, Comparison, Question

TEMPERATURE = 0.05
PARTS = ("meaning", "readings", "codes", "vehicle")


def comparison(likeness, known=None, known_to_job=None, parts=PARTS):
    """Return a comparison of rows of likeness; all is known unless told otherwise, NaN is unknown."""
    likeness = np.array(likeness, dtype=float)
    if known is None:
        known = (~np.isnan(likeness)).astype(float)
    own = np.ones(likeness.shape[1]) if known_to_job is None else np.array(known_to_job, dtype=float)
    return Comparison(parts[: likeness.shape[1]], likeness, np.array(known, dtype=float), own)


def drawn_questions(truth, questions, cases, seed=0):
    """Return questions whose one relevant case is drawn by its true score: a softmax, which the loss assumes."""
    random = np.random.default_rng(seed)
    truth = np.array(truth, dtype=float)
    case_groups = {
        MODEL: np.array([f"model {number % 12}" for number in range(cases)]),
        CAUSE: np.array([f"cause {number % 8}" for number in range(cases)]),
    }
    made = []
    for number in range(questions):
        known = (random.random((cases, len(truth))) < 0.8).astype(float)
        likeness = np.where(known > 0, random.random((cases, len(truth))), np.nan)
        compared = comparison(likeness, known, parts=tuple(f"part {place}" for place in range(len(truth))))
        heat = np.exp(compared.scores(truth) / TEMPERATURE)
        relevant = np.zeros(cases, dtype=bool)
        relevant[random.choice(cases, p=heat / heat.sum())] = True
        groups = {MODEL: f"model {number % 12}", CAUSE: f"cause {number % 8}"}
        made.append(Question(compared, relevant, groups, case_groups=case_groups))
    return made
