"""The interview up to the networks: the vehicle, the complaint, what was seen, the networks concerned."""

from __future__ import annotations

from casebase.intake.answers import field_reader
from casebase.intake.question import Data, Known, Question, Script, put
from casebase.intake.vehicle_lines import networks_reader, read_seen, vehicle_reader
from casebase.record.vocabulary import Medium


def ask_vehicle(data: Data, known: Known) -> Script:
    """Ask which vehicle it is; of one that is named already only what else is known."""
    vehicle: Data = data.setdefault("vehicle", {})
    if "model" not in vehicle:
        for key, example in (("make", "Norrvik (invented)"), ("model", "Skarn (invented)")):
            names = known.makes if key == "make" else known.models_of(vehicle["make"])
            question = Question(
                f"vehicle.{key}",
                "vehicle",
                key.capitalize(),
                known.spelled(field_reader(f"vehicle.{key}"), names),
                example=example,
                known=names,
                required=True,
            )
            yield from put(vehicle, key, question)
    platforms = known.platforms_of(vehicle["make"])
    told: Data | None = yield Question(
        "vehicle.more",
        "vehicle",
        "Year, platform, fuel, odometer, VIN (Enter: none)",
        vehicle_reader(known.distance_unit, platforms),
        example="2019, K2, diesel, 188000",
        help="In any order. The platform is the maker's name for it: models that share it share harness and"
        f" networks. An odometer without a unit is taken in {known.distance_unit}. Hybrid and electric vehicles"
        " get the cautions for high voltage. The VIN stays in your library; a published edition leaves it out.",
        known=platforms,
    )
    vehicle.update(told or {})


def ask_concern(data: Data) -> Script:
    """Ask what the customer tells, what is seen, and when."""
    question = Question(
        "concern",
        "concern",
        "What the customer says",
        field_reader("concern"),
        example="Dies at the lights, all lamps on",
        help="The customer's own words, without names and phone numbers.",
        default=data.get("concern"),
    )
    yield from put(data, "concern", question)
    seen: Data | None = yield Question(
        "seen",
        "concern",
        "Lamps lit, when it shows, other symptoms (several: with ,)",
        read_seen,
        example="ABS lamp, wet, while driving, gauges drop to zero",
        help="Lamps and usual conditions are recognized; anything else is kept as a symptom in your words.",
    )
    for key, words in (seen or {}).items():
        data[key] = list(dict.fromkeys([*data.get(key, ()), *words]))


def ask_networks(data: Data) -> Script:
    """Ask for the networks concerned, all in one line."""
    networks: list[Data] = data.setdefault("networks", [])
    told: list[Data] | None = yield Question(
        "networks",
        "networks",
        "Networks (several: with ; Enter: not known)",
        networks_reader([network["name"] for network in networks]),
        example="can 500, behind gateway GWM; door LIN",
        help="Kind, bit rate, 'behind gateway' and its name, 'called' and a name, 'terminators in' and where. CAN alone"
        " is taken as high-speed CAN. CAN FD has the same levels.",
        words=tuple(Medium),
    )
    networks += told or []
