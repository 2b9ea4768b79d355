"""A log against one of the same vehicle when it was well."""

from __future__ import annotations

from pathlib import Path

import can
import pytest

from casebase.intake.bus_log.known_good import Difference, differences
from casebase.intake.bus_log.report import report_of
from casebase.intake.bus_log.traffic import IdentifierKey, Traffic, read_traffic
from casebase.intake.bus_log.words import MISSING_MEANS, difference_words, found_words
from tests.intake.bus_log.invented_logs import BRAKES, CLUSTER, ENGINE, Sender, messages, write

pytestmark = pytest.mark.slow

EVERYBODY = (*ENGINE, *BRAKES, *CLUSTER)
TABLE = {
    IdentifierKey(False, one.identifier): name
    for name, senders in (("ECM", ENGINE), ("ABS", BRAKES), ("IPC", CLUSTER))
    for one in senders
}


def traffic(path: Path, name: str, sent: list[can.Message]) -> Traffic:
    """Return what a log says."""
    return read_traffic(write(path / name, sent))


def difference(path: Path, senders: tuple[Sender, ...], seconds: float = 30) -> Difference:
    """Return how a log of these senders differs from one of everybody, of other chance."""
    good = traffic(path, "good.log", messages(EVERYBODY, 40, seed=9))
    (found,) = differences(traffic(path, "here.log", messages(senders, seconds)), good, TABLE)
    return found


def numbers(keys) -> list[int]:
    """Return identifiers as numbers."""
    return [key.number for key in keys]


def test_the_same_traffic_on_another_day_differs_in_nothing(tmp_path: Path) -> None:
    """Chance alone is no finding."""
    assert difference(tmp_path, EVERYBODY).nothing


def test_a_silent_module_is_named_by_the_table(tmp_path: Path) -> None:
    """All it should send is missing."""
    found = difference(tmp_path, (*ENGINE, *CLUSTER))
    assert numbers(one.key for one in found.missing) == [0x1A0, 0x1A4, 0x1B0]
    (module,) = found.modules
    assert (module.module, module.expected, module.whole) == ("ABS", 3, True)
    assert "ABS: all 3 identifiers it should send are missing" in difference_words(found)


def test_a_module_of_which_one_identifier_is_missing_is_said_to_send_something(tmp_path: Path) -> None:
    """Then the module lives: the gateway or its own state keeps one frame back."""
    found = difference(tmp_path, (*ENGINE, *BRAKES[1:], *CLUSTER))
    (module,) = found.modules
    assert not module.whole
    assert any("so it sends something" in line for line in difference_words(found))


def test_a_log_too_short_to_miss_a_slow_identifier_does_not_blame_its_module(tmp_path: Path) -> None:
    """Half a second of log says nothing of what comes every half second."""
    found = difference(tmp_path, (*ENGINE, *BRAKES, CLUSTER[0]), seconds=0.9)
    (missing,) = found.missing
    assert missing.key.number == 0x420
    assert not missing.log_long_enough
    assert found.modules == ()
    assert difference_words(found) == ["not seen, but this log is too short to miss it: 420"]


def test_a_late_identifier_is_told_with_both_periods(tmp_path: Path) -> None:
    """Every 30 ms where it was every 20 ms; one that is 5 % slower is not told."""
    slower = (Sender(0x1A0, 0.03), Sender(0x1A4, 0.0525, 6), BRAKES[2])
    found = difference(tmp_path, (*ENGINE, *slower, *CLUSTER))
    (late,) = found.late
    assert late.key.number == 0x1A0
    assert late.factor == pytest.approx(1.5, rel=0.02)
    assert found.early == ()


def test_a_new_identifier_is_told_and_that_of_a_tester_apart(tmp_path: Path) -> None:
    """7DF and 7E8 are those of diagnosis (ISO 15765-4)."""
    more = (Sender(0x333, 0.1), Sender(0x7E8, 0.5), Sender(0x18DAF110, 0.5, extended=True))
    found = difference(tmp_path, (*EVERYBODY, *more))
    assert numbers(found.new) == [0x333]
    assert numbers(found.new_diagnostic) == [0x7E8, 0x18DAF110]


def test_another_data_length_is_told(tmp_path: Path) -> None:
    """Six bytes became eight."""
    found = difference(tmp_path, (*ENGINE, BRAKES[0], Sender(0x1A4, 0.05, 8), BRAKES[2], *CLUSTER))
    (other,) = found.lengths
    assert (other.key.number, other.lengths, other.good_lengths) == (0x1A4, (8,), (6,))


def test_missing_never_stands_without_what_it_can_mean(tmp_path: Path) -> None:
    """Its sender is silent, or the gateway or the log did not carry it."""
    good = traffic(tmp_path, "good.log", messages(EVERYBODY, 30))
    here = traffic(tmp_path, "here.log", messages((*ENGINE, *CLUSTER), 30))
    lines = found_words(report_of(here, good, TABLE))
    assert lines[-1] == MISSING_MEANS
    assert "gateway" in MISSING_MEANS


def test_a_channel_that_the_known_good_log_lacks_is_not_compared(tmp_path: Path) -> None:
    """Unlike names of two channels are two buses."""
    second = messages(BRAKES, 10)
    for message in second:
        message.channel = 1
    here = traffic(tmp_path, "here.log", messages(ENGINE, 10) + second)
    good = traffic(tmp_path, "good.log", messages(ENGINE, 10))
    assert [one.channel for one in differences(here, good, TABLE)] == ["can0"]


def test_formats_of_both_logs_may_differ(tmp_path: Path) -> None:
    """One channel each: their names do not matter."""
    good = traffic(tmp_path, "good.blf", messages(EVERYBODY, 30))
    here = traffic(tmp_path, "here.asc", messages((*ENGINE, *CLUSTER), 30))
    (found,) = differences(here, good, TABLE)
    assert [one.module for one in found.modules] == ["ABS"]
