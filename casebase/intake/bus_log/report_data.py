"""What a log says as plain data, for JSON; all times in seconds, moments since the log began."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

from casebase.intake.bus_log.known_good import Difference
from casebase.intake.bus_log.report import BusReport, Report
from casebase.intake.bus_log.senders import j1939_fields
from casebase.intake.bus_log.silence import Silence
from casebase.intake.bus_log.traffic import Identifier
from casebase.intake.bus_log.verdict import verdict_words
from casebase.intake.bus_log.words import MISSING_MEANS

_MOST_STRETCHES: Final = 2000


def report_data(report: Report) -> dict[str, Any]:
    """Return what follows from a log as plain data."""
    traffic = report.traffic
    return {
        "file": str(traffic.path),
        "format": traffic.format_name,
        "begin": traffic.begin,
        "duration": round(traffic.duration, 6),
        "frames": traffic.frames,
        "bit_rate": report.rates.nominal,
        "data_bit_rate": report.rates.data,
        "known_good": str(report.known_good.path) if report.known_good else None,
        "has_times": traffic.has_times,
        "notes": list(traffic.notes),
        "channels": [_bus_data(one, report) for one in report.buses],
    }


def _bus_data(one: BusReport, report: Report) -> dict[str, Any]:
    bus = one.bus
    return {
        "channel": bus.channel,
        "verdict": verdict_words(one, report),
        "frames": bus.frames,
        "bits": {"with_stuffing": bus.nominal_bits + bus.data_phase_bits, "without": bus.shortest_bits},
        "load": asdict(one.load) if one.load else None,
        "bits_over_time": _over_time(one),
        "silences": [_silence_data(found) for found in one.silences],
        "states": [
            {"state": state.state, "begin": _time(state.begin), "end": _time(state.end)}
            for state in one.states.stretches
        ],
        "floods": [
            {"identifier": str(flood.key), "begin": _time(flood.begin), "end": _time(flood.end)}
            for flood in one.floods
        ],
        "pauses": [{"begin": _time(pause.begin), "end": _time(pause.end)} for pause in one.pauses],
        "error_frames": _errors_data(one) if report.traffic.tells_error_frames else None,
        "can_fd": {
            "frames": bus.fd_frames,
            "with_bit_rate_switch": bus.switched_frames,
            "of_error_passive_senders": bus.error_passive_frames,
        },
        "remote_frames": bus.remote_frames,
        "clock_set_back": bus.clock_set_back,
        "j1939": one.j1939,
        "never_seen": [
            {"module": name, "identifiers": list(map(str, keys))} for name, keys in one.never_seen
        ],
        "difference": _difference_data(one.difference) if one.difference else None,
        "identifiers": [_identifier_data(found, one) for found in bus.identifiers],
    }


def _time(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 6)


def _over_time(one: BusReport) -> dict[str, Any]:
    sums = one.bus.bits_over_time.per_second()
    return {
        "seconds_each": one.bus.bits_over_time.seconds_per_bin,
        "bits_per_second": [round(bits) for bits in sums[:_MOST_STRETCHES].tolist()],
        "left_out": max(0, len(sums) - _MOST_STRETCHES),
    }


def _errors_data(one: BusReport) -> dict[str, Any]:
    errors, begin = one.bus.error_frames, one.bus.bits_over_time.begin
    return {
        "count": errors.count,
        "bursts_in_all": errors.bursts_seen,
        "bursts": [
            {"begin": _time(burst.begin - begin), "end": _time(burst.end - begin), "count": burst.count}
            for burst in errors.bursts
        ],
    }


def _silence_data(found: Silence) -> dict[str, Any]:
    return {
        "sender": found.sender,
        "all_of_sender": found.whole_sender,
        "identifiers": list(map(str, found.identifiers)),
        "begin": _time(found.begin),
        "end": _time(found.end),
        "error_frames_near": found.error_frames_near,
    }


def _identifier_data(found: Identifier, one: BusReport) -> dict[str, Any]:
    longest = found.gaps[0] if found.gaps else None
    data = {
        "identifier": str(found.key),
        "bits": 29 if found.key.extended else 11,
        "sender": one.senders.get(found.key),
        "count": found.count,
        "period": _time(found.period),
        "jitter": _time(found.jitter),
        "steady": found.steady,
        "sent": one.habits[found.key].value,
        "longest_gap": {"seconds": _time(longest[0]), "begin": _time(longest[1])} if longest else None,
        "first": _time(found.first),
        "last": _time(found.last),
        "data_lengths": list(found.lengths),
        "fd_frames": found.fd_frames,
        "error_passive_frames": found.error_passive_frames,
        "remote_frames": found.remote_frames,
    }
    if one.j1939 and found.key.extended:
        data["j1939"] = asdict(j1939_fields(found.key.number))
    return data


def _difference_data(found: Difference) -> dict[str, Any]:
    return {
        "known_good_channel": found.good_channel,
        "missing_means": MISSING_MEANS,
        "missing": [
            {"identifier": str(one.key), "period": _time(one.period), "log_long_enough": one.log_long_enough}
            for one in found.missing
        ],
        **{
            name: [
                {
                    "identifier": str(one.key),
                    "period": _time(one.period),
                    "known_good_period": _time(one.good_period),
                }
                for one in periods
            ]
            for name, periods in (("late", found.late), ("more_often", found.early))
        },
        "new": list(map(str, found.new)),
        "new_of_a_tester": list(map(str, found.new_diagnostic)),
        "other_length": [
            {
                "identifier": str(one.key),
                "data_lengths": list(one.lengths),
                "known_good": list(one.good_lengths),
            }
            for one in found.lengths
        ],
        "silent_modules": [
            {"module": one.module, "missing": list(map(str, one.missing)), "expected": one.expected}
            for one in found.modules
        ],
    }
