"""The interview up to the networks: the vehicle, the complaint, the networks concerned."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from casebase.errors import InputError
from casebase.intake.answers import (
    Reader,
    check_field,
    field_reader,
    names_reader,
    texts_reader,
    word_list_reader,
    word_reader,
)
from casebase.intake.question import Asked, Data, Question, Script, put
from casebase.record.vocabulary import Condition, Lamp, Medium, Powertrain, Reached


def ask_vehicle(data: Data) -> Script:
    """Ask which vehicle it is."""
    vehicle: Data = data.setdefault("vehicle", {})

    def ask(key: str, prompt: str, example: str, help_text: str = "", **more: Any) -> Asked:
        read = more.pop("read", None) or field_reader(f"vehicle.{key}")
        question = Question(
            f"vehicle.{key}", "vehicle", prompt, read, example=example, help=help_text, **more
        )
        return put(vehicle, key, question)

    yield from ask("make", "Make", "Norrvik (invented)", required=True)
    yield from ask("model", "Model", "Skarn (invented)", required=True)
    yield from ask("model_year", "Model year", "2019")
    yield from ask(
        "platform",
        "Platform",
        "K2",
        "The maker's name for the platform: models that share it share harness and networks.",
    )
    powertrains = tuple(Powertrain)
    yield from ask(
        "powertrain",
        "Powertrain",
        "diesel",
        "Hybrid and electric vehicles get the cautions for high voltage.",
        words=powertrains,
        read=word_reader(powertrains),
    )
    yield from ask("odometer", "Odometer, with km or mi", "84200 km")
    yield from ask("vin", "VIN", "17 characters", "Stays in your library; a published edition leaves it out.")


def ask_concern(data: Data) -> Script:
    """Ask what the customer tells, what is seen, and when."""
    yield from put(
        data,
        "concern",
        Question(
            "concern",
            "concern",
            "What the customer says",
            field_reader("concern"),
            example="Dies at the lights, all lamps on",
            help="The customer's own words, without names and phone numbers.",
        ),
    )
    yield from put(
        data,
        "symptoms",
        Question(
            "symptoms",
            "concern",
            "Symptoms you saw yourself (several: with ;)",
            texts_reader("symptoms"),
            example="no crank; gauges drop to zero",
        ),
    )
    yield from put(
        data, "lamps", _word_list("lamps", "Lamps lit (several: with ,)", tuple(Lamp), "engine, ABS")
    )
    yield from put(
        data,
        "conditions",
        _word_list("conditions", "When it shows (several: with ,)", tuple(Condition), "wet, rough road"),
    )


def _word_list(key: str, prompt: str, words: tuple[str, ...], example: str) -> Question:
    return Question(key, "concern", prompt, word_list_reader(words), example=example, words=words)


def ask_networks(data: Data) -> Script:
    """Ask for the networks concerned, one by one, until none is named."""
    networks: list[Data] = data.setdefault("networks", [])
    media = tuple(Medium)
    while True:
        network: Data = {}
        question = Question(
            f"networks[{len(networks)}].medium",
            "networks",
            "Another network, which kind? (Enter: no more)"
            if networks
            else "Which kind of network? (Enter: not known)",
            word_reader(media),
            example="high-speed CAN, or hi",
            help="CAN FD is high-speed CAN: the levels are the same.",
            words=media,
            so_far=len(networks),
        )
        medium = yield from put(network, "medium", question)
        if medium is None:
            return
        yield from _ask_network(network, f"networks[{len(networks)}]", [known["name"] for known in networks])
        networks.append(network)


def _ask_network(network: Data, key: str, taken: Sequence[str]) -> Script:
    def ask(field: str, prompt: str, read: Reader, **more: Any) -> Asked:
        return put(network, field, Question(f"{key}.{field}", "networks", prompt, read, **more))

    yield from ask(
        "name",
        "What it is called",
        _new_name_reader(taken),
        example="powertrain CAN",
        default=None if network["medium"] in taken else network["medium"],
        required=True,
    )
    yield from ask("bit_rate", "Bit rate", field_reader("networks[0].bit_rate"), example="500 kbit/s")
    ways = tuple(Reached)
    yield from ask(
        "reached", "How the DLC sees it", word_reader(ways), example="behind a gateway", words=ways
    )
    if network.get("reached") == Reached.BEHIND_GATEWAY:
        yield from ask(
            "gateway", "Which module is the gateway", field_reader("networks[0].gateway"), example="GWM"
        )
    yield from ask(
        "terminators_in",
        "Where the terminators are (several: with ,)",
        names_reader("networks[0].terminators_in[0]"),
        example="ECM, BCM",
    )


def _new_name_reader(taken: Sequence[str]) -> Reader:
    def read(text: str) -> str:
        check_field("networks[0].name", text)
        if " ".join(text.split()) in taken:
            raise InputError(f"'{text}' is already on this record: expected another name")
        return text

    return read
