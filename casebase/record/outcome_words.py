"""How a job ended, in words: where the record comes from, the fix, the proof."""

from __future__ import annotations

from casebase.record.case import Case, Fix, Verification


def origin_words(case: Case) -> str:
    """Return who wrote a record, where and when, in one line."""
    told = case.provenance
    when = " to ".join(str(day) for day in (told.opened, told.ended) if day)
    invented = "invented for teaching" if told.invented == "yes" else None
    return ", ".join(part for part in (told.author, told.shop, when, invented) if part)


def fix_words(fix: Fix) -> str:
    """Return what was done, with parts, time and cost, in one line."""
    parts = ", ".join(f"{part.name}{f' ({part.cost})' if part.cost else ''}" for part in fix.parts)
    told = (
        fix.done.rstrip("."),
        f"parts: {parts}" if parts else "",
        f"{fix.minutes:g} min" if fix.minutes is not None else "",
        f"{fix.cost} in all" if fix.cost else "",
    )
    return "; ".join(part for part in told if part)


def verification_words(proof: Verification) -> str:
    """Return what shows that the fix worked, in one line."""
    told = (
        f"codes cleared: {proof.codes_cleared}" if proof.codes_cleared else "",
        f"rescan: {proof.rescan}" if proof.rescan else "",
        f"road test {proof.road_test}" if proof.road_test else "",
        f"{proof.days_without_return} days without return" if proof.days_without_return is not None else "",
        f"came back: {proof.came_back}" if proof.came_back else "",
        proof.note or "",
    )
    return "; ".join(part for part in told if part)
