"""Captures of logic analysers: sigrok sessions (.sr, a zip archive) and value change dumps (.vcd, IEEE 1364).

A session may hold analogue channels too, which are volts. The layout of a session is that of libsigrok's srzip output,
version 2: `metadata`, then `logic-1-1`, `logic-1-2` ... of packed bits, and `analog-1-4-1` ... of 32-bit numbers.
"""

from __future__ import annotations

import configparser
import re
import tempfile
import zipfile
import zlib
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.capture.samples import Capture, Samples, Wanted

_MOST_CHANNELS: Final = 16
_LARGEST_BYTES: Final = 8 << 30
_RATE: Final = re.compile(r"([0-9.]+)\s*([kMG]?)Hz")
_PREFIX: Final = {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
_PART: Final = 8 << 20


def open_session(path: Path, wanted: Wanted) -> Capture:
    """Open a sigrok session; its logic channels are 0 and 1, its analogue ones volts."""
    try:
        with zipfile.ZipFile(path) as archive:
            device = _device(archive, path)
            analog = sorted(name for name in archive.namelist() if name.startswith("analog-"))
            kinds = dict.fromkeys(_without_number(name) for name in analog)
            if kinds:
                return _analog(path, archive, list(kinds), device, wanted)
            return _logic(path, archive, device, wanted)
    except (
        zipfile.BadZipFile,
        zlib.error,
        KeyError,
        ValueError,
        EOFError,
        NotImplementedError,
        configparser.Error,
    ):
        raise CaptureError(f"{path.name}: is no sigrok session that can be read: save it again") from None


def _without_number(name: str) -> str:
    return name.rpartition("-")[0]


def _device(archive: zipfile.ZipFile, path: Path) -> dict[str, str]:
    """Return what the session says of its device."""
    told = configparser.ConfigParser(strict=False)
    told.read_string(archive.read("metadata").decode("utf-8", "replace"))
    for section in told.sections():
        if section.startswith("device"):
            return dict(told[section])
    raise CaptureError(f"{path.name}: a sigrok session without a device: it holds no samples")


def _rate(device: dict[str, str], wanted: Wanted, path: Path) -> float:
    found = _RATE.search(device.get("samplerate", ""))
    if wanted.samples_per_second:
        return wanted.samples_per_second
    if found is None or float(found[1]) == 0:
        raise CaptureError(
            f"{path.name}: does not tell how fast it was sampled: say it with --samples-per-second"
        )
    return float(found[1]) * _PREFIX[found[2]]


def _unpacked(archive: zipfile.ZipFile, stem: str, path: Path, kind: str) -> NDArray[Any]:
    """Put the parts of one stream together; return its numbers."""
    parts = [name for name in archive.namelist() if name == stem or _without_number(name) == stem]
    parts.sort(key=lambda name: int(name.rpartition("-")[2]))
    if sum(archive.getinfo(name).file_size for name in parts) > _LARGEST_BYTES:
        raise CaptureError(f"{path.name}: says that it holds more than {_LARGEST_BYTES >> 30} GiB: damaged?")
    with tempfile.TemporaryFile(prefix="casebase-") as out:
        for name in parts:
            with archive.open(name) as packed:
                while part := packed.read(_PART):
                    out.write(part)
        out.seek(0)
        return np.fromfile(out, dtype=kind)


def _logic(path: Path, archive: zipfile.ZipFile, device: dict[str, str], wanted: Wanted) -> Capture:
    unit = int(device.get("unitsize", "1"))
    named = {
        int(key.removeprefix("probe")) - 1: name
        for key, name in device.items()
        if key.startswith("probe") and key.removeprefix("probe").isdecimal()
    }
    places = _wanted_places(named, wanted, path)[:_MOST_CHANNELS]
    rate = _rate(device, wanted, path)
    packed = _unpacked(archive, device.get("capturefile", "logic-1"), path, "u1")
    words = packed[: len(packed) // unit * unit].reshape(-1, unit)

    def read(start: int, stop: int) -> Samples:
        part = words[start:stop]
        return np.stack([(part[:, place // 8] >> (place % 8) & 1).astype(np.float32) for place in places])

    return Capture(path, 1.0 / rate, len(words), len(places), read, names=tuple(named[one] for one in places))


def _wanted_places(named: dict[int, str], wanted: Wanted, path: Path) -> list[int]:
    """Return the bits of the channels asked for, by number or name; all where nobody asks."""
    order = sorted(named)
    if not order:
        raise CaptureError(f"{path.name}: names no channel: save it again")
    asked = [one for one in (wanted.high, wanted.low) if one]
    if not asked:
        return order
    by_name = {name.casefold(): place for place, name in named.items()}
    by_name |= {str(number): place for number, place in enumerate(order, start=1)}
    missing = next((one for one in asked if one.casefold() not in by_name), None)
    if missing:
        raise CaptureError(
            f"{path.name}: has no channel {missing}: it holds {', '.join(named[one] for one in order)}"
        )
    return [by_name[one.casefold()] for one in asked]


def _analog(
    path: Path, archive: zipfile.ZipFile, stems: list[str], device: dict[str, str], wanted: Wanted
) -> Capture:
    names = {key: name for key, name in device.items() if key.startswith("analog")}
    told = {place: names.get(stem.replace("-1-", "", 1), stem) for place, stem in enumerate(stems)}
    places = _wanted_places(told, wanted, path)
    rate = _rate(device, wanted, path)
    rows = [_unpacked(archive, stems[place], path, "<f4") for place in places]
    count = min(len(row) for row in rows)
    return Capture(
        path,
        1.0 / rate,
        count,
        len(rows),
        lambda start, stop: np.stack([row[start:stop] for row in rows]),
        scale=wanted.scale,
        names=tuple(told[place] for place in places),
    )


_TIMESCALE: Final = re.compile(rb"\$timescale\s+(1|10|100)\s*(s|ms|us|ns|ps|fs)\s+\$end")
_SCALES: Final = {b"s": 1.0, b"ms": 1e-3, b"us": 1e-6, b"ns": 1e-9, b"ps": 1e-12, b"fs": 1e-15}
_VAR: Final = re.compile(rb"\$var\s+(wire|reg|logic)\s+1\s+(\S+)\s+(\S+)[^$]*\$end")
_MOST_SAMPLES: Final = 40_000_000
_LARGEST_DUMP_BYTES: Final = 512 << 20


def open_dump(path: Path, wanted: Wanted) -> Capture:
    """Open a value change dump: its single-bit wires, sampled at the coarsest step that holds every change."""
    if path.stat().st_size > _LARGEST_DUMP_BYTES:
        raise CaptureError(f"{path.name}: a value change dump of more than 512 MiB: export a shorter stretch")
    text = path.read_bytes()
    scale = _TIMESCALE.search(text)
    wires = {found[2]: found[3].decode("utf-8", "replace") for found in _VAR.finditer(text)}
    if scale is None or not wires:
        raise CaptureError(f"{path.name}: a value change dump without a time scale or a wire of one bit")
    times, changes = _changes(text, wires, path)
    named = dict(enumerate(wires.values()))
    places = _wanted_places(named, wanted, path)[:_MOST_CHANNELS]
    seconds = int(scale[1]) * _SCALES[scale[2]]
    span = max(times[-1] - times[0], 1)
    step = max(int(np.gcd.reduce(np.diff(times), initial=0)), -(-span // _MOST_SAMPLES), 1)
    keys = list(wires)
    tracks = [_track(changes[keys[place]], times[0], step) for place in places]

    def read(start: int, stop: int) -> Samples:
        at = np.arange(start, stop)
        return np.stack([values[np.searchsorted(begins, at, side="right") - 1] for begins, values in tracks])

    count = int(span // step) + 1
    return Capture(path, step * seconds, count, len(places), read, names=tuple(named[one] for one in places))


def _changes(
    text: bytes, wires: dict[bytes, str], path: Path
) -> tuple[NDArray[np.int64], dict[bytes, list[tuple[int, int]]]]:
    """Return every moment of the dump, and when each wire became what."""
    moment, moments = 0, [0]
    changes: dict[bytes, list[tuple[int, int]]] = {wire: [] for wire in wires}
    body = text[text.find(b"$enddefinitions") :].split()[1:]
    for word in body:
        if word[:1] == b"#":
            if not word[1:].isdigit():
                raise CaptureError(f"{path.name}: a moment '{word[:20].decode('latin-1')}': it is damaged")
            moment = int(word[1:])
            moments.append(moment)
        elif word[1:] in changes and word[:1] in b"01xXzZ":
            changes[word[1:]].append((moment, int(word[:1] == b"1")))
    found = np.unique(np.array(moments[1:] or [0], dtype=np.int64))
    return found, changes


def _track(
    changes: list[tuple[int, int]], begin: int, step: int
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Return from which sample on a wire has which value."""
    told = changes or [(begin, 0)]
    begins = np.array([(moment - begin) // step for moment, _ in told], dtype=np.int64)
    values = np.array([value for _, value in told], dtype=np.float32)
    return np.concatenate([[-1], begins]), np.concatenate([values[:1], values])
