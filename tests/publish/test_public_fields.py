"""Only fields that are listed leave the shop."""

from typing import Any, get_args

import pytest
from pydantic import BaseModel

from casebase.publish.public_fields import PUBLIC_FIELDS, public_case
from casebase.record.case import Case
from casebase.record.words import title_of

INSIDE = {
    "id",
    "revision",
    "concern",
    "review",
    "vehicle.vin",
    "fix.cost",
    "fix.parts.cost",
}
"""What stays in the shop; `id` and `revision` stand beside the record in the file."""


def models_in(annotation: Any) -> list[type[BaseModel]]:
    """Return every model that an annotation speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in models_in(part)]


def paths(model: type[BaseModel], before: str = "") -> set[str]:
    """Return the path of every field of the format, whole parts where one is not gone into."""
    found = set()
    for name, field in model.model_fields.items():
        inner = models_in(field.annotation)
        path = f"{before}{name}"
        found |= paths(inner[0], f"{path}.") if inner and path not in INSIDE else {path}
    return found


def listed(fields: dict[str, Any], before: str = "") -> set[str]:
    """Return the path of every field that is listed as public."""
    return {
        path
        for name, inner in fields.items()
        for path in (listed(inner, f"{before}{name}.") if inner else {f"{before}{name}"})
    }


def test_every_field_of_the_format_is_public_or_known_to_stay_inside():
    """A new field breaks this test, so that somebody decides."""
    whole_parts = {"symptoms", "lamps", "conditions"}
    assert paths(Case) - INSIDE == listed(PUBLIC_FIELDS) | (whole_parts & paths(Case))
    assert not listed(PUBLIC_FIELDS) & INSIDE


@pytest.fixture
def private_case(make_case):
    """A record with something private in every field that stays inside."""
    return make_case(
        concern="Mrs Ottilie Brandvoll says it died on the way to her sister",
        symptoms=["no start"],
        vehicle={"make": "Norrvik", "model": "Fjellet", "vin": "1M8GDM9AXKP042788"},
        cause={"fault": "low_open", "proof": "seen"},
        fix={"done": "joined", "cost": "268.00 EUR", "parts": [{"name": "clip", "cost": "3.20 EUR"}]},
        attachments=[{"file": "brandvoll.jpg", "shows": "her car"}],
        review={"state": "read and agreed", "by": "nordlia_lead"},
    )


def test_customers_words_vin_cost_attachments_and_review_stay_inside(private_case):
    """What the shop knows and the team need not."""
    text = public_case(private_case).model_dump_json()
    for private in ("Ottilie", "1M8GDM9AXKP042788", "268", "3.20", "brandvoll", "nordlia_lead"):
        assert private not in text


def test_what_helps_the_next_technician_goes_out(private_case):
    """Vehicle, symptoms, cause with its proof, what was done and which parts."""
    public = public_case(private_case)
    assert (public.vehicle.make, public.symptoms) == ("Norrvik", ["no start"])
    assert public.cause == private_case.cause
    assert public.fix is not None
    assert (public.fix.done, public.fix.parts[0].name) == ("joined", "clip")


def test_no_title_is_made_from_the_customers_words(make_case):
    """A record without a cause has its title from the concern; outside it must come from something else."""
    told = make_case(
        concern="Dr Ansgar Lind wants it back by noon", codes=[{"module": "ECM", "code": "U0121"}]
    )
    assert "Lind" not in title_of(public_case(told))


@pytest.mark.slow
def test_public_fields_of_the_demonstration_are_whole(demo_cases):
    """Every invented record still fits the format without its private fields."""
    for case in demo_cases.values():
        public = public_case(case)
        assert public.readings == case.readings
        assert public.steps == case.steps
