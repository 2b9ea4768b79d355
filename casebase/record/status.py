"""The status of a fault case: worked out from what the record holds, so that nobody can tick `verified`."""

from __future__ import annotations

from casebase.record.case import Case
from casebase.record.vocabulary import Kind, Rescan, Stage, Status, YesNo


def status_of(case: Case) -> Status | None:
    """Return the status of a fault case; None for a known good record."""
    if case.kind is Kind.KNOWN_GOOD:
        return None
    if case.fix is None or _repair_failed(case):
        return Status.NOT_FIXED if case.provenance.ended else Status.OPEN
    if not missing_for_verified(case):
        return Status.FIXED_VERIFIED
    finished = case.provenance.ended or case.verification or readings_after_repair(case)
    return Status.FIXED_NOT_PROVEN if finished else Status.OPEN


def missing_for_verified(case: Case) -> list[str]:
    """Return what a fault case still needs to count as `fixed, verified`, each in words."""
    checks = (
        (case.cause is None, "a cause"),
        (case.cause is not None and case.cause.proof is None, "how the cause was proven (cause.proof)"),
        (case.fix is None, "a fix"),
        (not _shown_to_work(case), "a clean rescan (verification.rescan) or a reading after repair"),
        (_repair_failed(case), "a repair that held: the same codes or the complaint came back"),
    )
    return [words for lacking, words in checks if lacking]


def readings_after_repair(case: Case) -> bool:
    """Return whether any reading was taken after the repair."""
    return any(reading.stage is Stage.AFTER_REPAIR for reading in case.readings)


def _shown_to_work(case: Case) -> bool:
    rescanned_clean = case.verification is not None and case.verification.rescan is Rescan.CLEAN
    return rescanned_clean or readings_after_repair(case)


def _repair_failed(case: Case) -> bool:
    proof = case.verification
    return proof is not None and (proof.rescan is Rescan.SAME_CODES or proof.came_back is YesNo.YES)
