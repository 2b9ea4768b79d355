"""What a log comes to: who stopped, who floods, what the bus did; and whom nothing accuses.

Logs are invented here; the habits of senders are common practice, no source, testers' identifiers ISO 15765-4.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

import can
import pytest

from casebase.intake.bus_log.habits import Habit
from casebase.intake.bus_log.report import BitRates, Report, report_of
from casebase.intake.bus_log.traffic import IdentifierKey, read_traffic
from casebase.intake.bus_log.verdict import not_judged_words, verdict_words

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent.parent / "bench"))

from invented_logs import BRAKES, CLUSTER, ENGINE, Sender, messages, silent, write
from synthetic_logs import log_of, write_log

BODY = tuple(Sender(0x500 + place, 0.1) for place in range(12))
EVERYBODY = (*ENGINE, *BRAKES, *CLUSTER, *BODY)
BEGIN = 1_600_000_000.0


def report(folder: Path, sent: list[can.Message], **more: float) -> Report:
    """Return what follows from a candump log of these messages."""
    return report_of(read_traffic(write(folder / "log.log", sent)), None, None, BitRates(**more))


def verdict(folder: Path, sent: list[can.Message], **more: float) -> str:
    """Return what the log comes to, as one text."""
    found = report(folder, sent, **more)
    return " ".join(verdict_words(found.buses[0], found))


def at(identifier: int, moments: list[float], *, extended: bool = False) -> list[can.Message]:
    """Return frames of an identifier at these moments."""
    return [
        can.Message(
            timestamp=BEGIN + round(moment, 6),
            arbitration_id=identifier,
            is_extended_id=extended,
            data=b"\1\2",
            channel=0,
        )
        for moment in moments
    ]


@pytest.mark.slow
def test_a_quiet_log_says_that_nothing_is_wrong(tmp_path: Path) -> None:
    """The first words, not the last."""
    assert verdict(tmp_path, messages(EVERYBODY, 30)).startswith(
        "Nothing wrong in this log: nobody of 19 identifiers"
    )


@pytest.mark.slow
def test_two_identifiers_that_stop_are_perhaps_one_module(tmp_path: Path) -> None:
    """With the moment."""
    sent = messages((*ENGINE, *silent(CLUSTER, (12.3, 99)), *BRAKES, *BODY), 40)
    assert verdict(tmp_path, sent) == "Two identifiers (400, 420), perhaps one module, stop at 12.29 s."


@pytest.mark.slow
def test_somebody_who_floods_is_named_and_nobody_else(tmp_path: Path) -> None:
    """The lowest identifier at 3,500 frames a second; the others come through now and then."""
    flood = [10 + place / 3500 for place in range(7000)]
    others = [
        one
        for one in messages(EVERYBODY, 30)
        if not 10 <= one.timestamp - BEGIN < 12 or random.random() < 0.1
    ]
    found = verdict(tmp_path, [*others, *at(0x000, flood)])
    assert found.startswith("Somebody floods the bus: 000 about 3498 times a second from 10.00 s to 12.00 s")
    assert "stop" not in found


def test_a_bus_that_goes_to_sleep_accuses_nobody(tmp_path: Path) -> None:
    """Modules run on for some seconds after one another; then no frame comes while the log of the other bus goes on."""
    spans = {one.identifier: (24 + place % 7 * 0.5, 99.0) for place, one in enumerate(EVERYBODY)}
    sent = messages([*(silent((one,), spans[one.identifier])[0] for one in EVERYBODY)], 30)
    other = messages((Sender(0x111, 0.1),), 40)
    for one in other:
        one.channel = 1
    found = report(tmp_path, [*sent, *other])
    told = " ".join(verdict_words(found.buses[0], found))
    assert not found.buses[0].silences
    assert "Bus asleep from 2" in told


@pytest.mark.slow
def test_the_ignition_off_with_some_that_run_on_accuses_nobody(tmp_path: Path) -> None:
    """Sixteen identifiers stop within two seconds, three go on."""
    gone = [
        silent((one,), (20 + place % 5 * 0.4, 99))[0]
        for place, one in enumerate((*ENGINE, *BRAKES, *BODY[:11]))
    ]
    found = report(tmp_path, messages([*gone, *CLUSTER, BODY[11]], 40))
    told = " ".join(verdict_words(found.buses[0], found))
    assert not found.buses[0].silences
    assert "Mostly off from 2" in told
    assert "16 identifiers silent together" in told


@pytest.mark.slow
@pytest.mark.parametrize(
    ("ask", "answer", "extended"),
    [(0x7DF, 0x7E8, False), (0x7E0, 0x7E8, False), (0x18DA10F1, 0x18DAF110, True)],
)
def test_a_tester_that_stops_asking_is_no_silent_module(
    ask: int, answer: int, extended: bool, tmp_path: Path
) -> None:
    """Sessions of requests at an even spacing, and their answers."""
    asked = [begin + place * 0.05 for begin in (2.0, 12.0, 21.0) for place in range(100)]
    sent = messages(EVERYBODY, 40) + at(ask, asked, extended=extended)
    sent += at(answer, [moment + 0.01 for moment in asked], extended=extended)
    found = report(tmp_path, sent).buses[0]
    assert not found.silences
    assert found.habits[IdentifierKey(extended, ask)] is Habit.TESTER
    assert "2 sent by or for a tester" in not_judged_words(found)


@pytest.mark.slow
def test_long_messages_in_packets_are_no_coming_and_going(tmp_path: Path) -> None:
    """Thirty frames within 60 ms every second, as boats and trucks send what does not fit into eight bytes."""
    packets = [second + place * 0.002 for second in range(40) for place in range(30)]
    assert not report(tmp_path, messages(EVERYBODY, 40) + at(0x1F0, packets)).buses[0].silences


@pytest.mark.slow
def test_a_logger_that_loses_frames_is_told_once(tmp_path: Path) -> None:
    """Nearly all frames of nine stretches are gone: nobody is accused, and it takes one line."""
    chance = random.Random(4)
    lost = [(3.0 + 4 * place, 3.6 + 4 * place) for place in range(9)]
    sent = [
        one
        for one in messages(EVERYBODY, 40)
        if chance.random() < 0.03 or not any(begin <= one.timestamp - BEGIN < end for begin, end in lost)
    ]
    found = report(tmp_path, sent)
    lines = verdict_words(found.buses[0], found)
    assert not found.buses[0].silences
    assert sum("logger lost frames" in line for line in lines) <= 1


@pytest.mark.slow
def test_frames_lost_one_by_one_accuse_nobody(tmp_path: Path) -> None:
    """Of every frame one in four is lost: gaps of six periods come by chance."""
    chance = random.Random(5)
    sent = [one for one in messages(EVERYBODY, 120) if chance.random() < 0.75]
    assert not report(tmp_path, sent).buses[0].silences


@pytest.mark.slow
def test_a_clock_that_jumps_forward_accuses_nobody_and_hides_nobody(tmp_path: Path) -> None:
    """An hour that no frame tells is the clock's; the module that stops after it is named."""
    sent = messages((*ENGINE, *silent(BRAKES, (30, 99)), *CLUSTER, *BODY), 50)
    for one in sent:
        one.timestamp += 3600.0 if one.timestamp - BEGIN > 20 else 0.0
    (silence,) = report(tmp_path, sent).buses[0].silences
    assert [key.number for key in silence.identifiers] == [0x1A0, 0x1A4, 0x1B0]


@pytest.mark.slow
def test_pauses_do_not_bury_the_verdict(tmp_path: Path) -> None:
    """Twenty pauses of the whole bus are one line."""
    pauses = tuple((5.0 + 2 * place, 5.4 + 2 * place) for place in range(20))
    found = report(tmp_path, messages(silent(EVERYBODY, *pauses), 60))
    assert verdict_words(found.buses[0], found)[0].startswith("Nothing wrong")
    assert not found.buses[0].silences


def test_a_load_over_all_a_bus_carries_is_doubted(tmp_path: Path) -> None:
    """The bit rate named cannot be: 10 kbit/s under traffic of some 100 kbit/s."""
    assert "More than a bus can carry" in verdict(tmp_path, messages(EVERYBODY, 20), nominal=10e3)


def test_senders_of_j1939_are_accused_as_a_whole_alone(tmp_path: Path) -> None:
    """Of an address that goes on sending, one group that ends is no silent module."""
    groups = (0xF004, 0xFEF1, 0xFEF2, 0xFEF5)
    sent = [
        Sender(0x18000000 | group << 8 | address, 0.1, extended=True)
        for address in (0, 11, 33)
        for group in groups
    ]
    part = [*sent[:-1], silent((sent[-1],), (20, 99))[0]]
    assert not report(tmp_path, messages(part, 40)).buses[0].silences
    whole = [*sent[:8], *silent(sent[8:], (20, 99))]
    (silence,) = report(tmp_path, messages(whole, 40)).buses[0].silences
    assert silence.sender == "source address 33 (body control)"


@pytest.mark.slow
def test_packets_one_after_the_other_all_the_time_are_no_flood(tmp_path: Path) -> None:
    """Twenty frames 0.6 ms apart every 150 ms for 30 s: more pauses than the tally keeps, and the bus is not full."""
    packets = [0.15 * place + 0.0006 * frame for place in range(200) for frame in range(20)]
    found = report(tmp_path, [*messages(EVERYBODY, 30), *at(0x09F80501, packets, extended=True)])
    assert not found.buses[0].floods
    assert verdict_words(found.buses[0], found)[0].startswith("Nothing wrong")


@pytest.mark.slow
def test_a_download_by_the_tester_is_no_flood(tmp_path: Path) -> None:
    """Consecutive frames of ISO 15765-2 without separation time fill the bus, as was asked for."""
    download = [5 + place * 0.0005 for place in range(8000)]
    found = report(tmp_path, [*messages(EVERYBODY, 30), *at(0x7E0, download)])
    assert not found.buses[0].floods


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1127, 1252])
def test_a_switching_of_the_ignition_accuses_nobody(seed: int, tmp_path: Path) -> None:
    """The last module stops just before the whole bus is silent; one sends a last frame when all others sleep."""
    found = report_of(read_traffic(write_log(log_of(seed), tmp_path / "a.log", seed)))
    assert not found.buses[0].silences
