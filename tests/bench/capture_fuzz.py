"""Spoilt captures: `python tests/bench/capture_fuzz.py [FILES] [SEED]`.

Small captures of every kind are cut, bitten, doubled, mixed and retold, and read. Each must be read, or refused in one
sentence. Prints what became of them, and exits with 1 where one ended otherwise.
"""

from __future__ import annotations

import io
import sys
import tempfile
import time
import traceback
import warnings
import wave
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
from synthetic_captures import Bus, Sent, volts_of

from casebase.errors import CaptureError
from casebase.intake.capture.facts import capture_data, read_capture
from casebase.intake.capture.samples import Wanted
from casebase.intake.capture.waveform_readings import Where, readings_from
from casebase.record.vocabulary import Medium
from casebase.terminal.capture import print_capture
from casebase.terminal.page import Page

Change = Callable[[bytes, np.random.Generator], bytes]


def whole_files() -> list[tuple[str, bytes]]:
    """Return captures in every form, by the ending of their names."""
    generator = np.random.default_rng(11)
    frames = [Sent(0x100 + 7 * place, bytes([place] * (place % 9))) for place in range(8)]
    volts, _ = volts_of(frames, [5] * 8, Bus(samples_per_second=5e6), generator)
    times = np.arange(volts.shape[1]) / 5e6
    fine = np.column_stack([times, *volts])
    comma = "\n".join(";".join(f"{value:.7f}".replace(".", ",") for value in row) for row in fine)
    return [
        ("csv", _text(fine, "%.7f,%.4f,%.4f", "Time (s),CAN H (V),CAN L (V)")),
        ("csv", f"Zeit;Kanal A;Kanal B\n(s);(V);(V)\n\n{comma}\n".encode()),
        ("txt", _text(fine, "%.7e\t%.3e\t%.3e", "time\tch1\tch2")),
        ("csv", _text(volts.T * 1e3, "%.1f,%.1f", "Sample interval: 200 ns\nCAN H (mV),CAN L (mV)")),
        ("npy", _saved(np.save, volts)),
        ("npy", _saved(np.save, fine)),
        ("npy", _saved(np.save, np.round(volts.T * 1000).astype(np.int16))),
        ("npz", _saved(np.savez, can_high=volts[0], can_low=volts[1], sample_rate=5e6)),
        ("npz", _saved(np.savez_compressed, time=times, high=volts[0], low=volts[1])),
        ("wav", _wav(volts)),
    ]


def _text(rows: np.ndarray, form: str, header: str) -> bytes:
    out = io.BytesIO()
    np.savetxt(out, rows, form, header=header, comments="")
    return out.getvalue()


def _saved(save: Callable[..., None], *arrays: np.ndarray, **named: object) -> bytes:
    out = io.BytesIO()
    save(out, *arrays, **named)
    return out.getvalue()


def _wav(volts: np.ndarray) -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setparams((2, 2, 5_000_000, 0, "NONE", ""))
        file.writeframes(np.round(volts.T * 3000).astype("<i2").tobytes())
    return out.getvalue()


def cut(data: bytes, generator: np.random.Generator) -> bytes:
    """Return the beginning of a file."""
    return data[: int(generator.integers(0, len(data)))]


def bitten(data: bytes, generator: np.random.Generator) -> bytes:
    """Return a file with some bytes changed, most of them near its beginning."""
    spoilt = bytearray(data)
    for _ in range(int(generator.integers(1, 12))):
        reach = len(data) if generator.random() < 0.8 else min(len(data), 300)
        spoilt[int(generator.integers(0, reach))] = int(generator.integers(0, 256))
    return bytes(spoilt)


def doubled(data: bytes, generator: np.random.Generator) -> bytes:
    """Return a file with a part of it told again somewhere."""
    start, to = (int(one) for one in generator.integers(0, len(data), 2))
    part = data[start : start + int(generator.integers(1, 5000))]
    return data[:to] + part + data[to:]


def holed(data: bytes, generator: np.random.Generator) -> bytes:
    """Return a file with a part of it missing."""
    start = int(generator.integers(0, len(data)))
    return data[:start] + data[start + int(generator.integers(1, 3000)) :]


def retold(data: bytes, generator: np.random.Generator) -> bytes:
    """Return a file with some of its letters replaced by words that numbers must not be."""
    words = (
        b"nan",
        b"inf",
        b"-1e999",
        b"1e400",
        b"0x1F",
        b"",
        b",,",
        b";;;",
        b"\r",
        b"\0",
        b"\xff\xfe",
        b"'; --",
        b"9" * 400,
    )
    for _ in range(int(generator.integers(1, 4))):
        place = int(generator.integers(0, max(len(data), 1)))
        word = words[int(generator.integers(0, len(words)))]
        data = data[:place] + word + data[place + int(generator.integers(0, 12)) :]
    return data


def other_numbers(data: bytes, generator: np.random.Generator) -> bytes:
    """Return an array file of other numbers: huge, no numbers, other shapes and kinds."""
    kind = ("f2", "f4", "f8", "i1", "u2", "i8", "c8", "U3", "?", "O", "M8[s]", "f16")[
        int(generator.integers(0, 12))
    ]
    shape = ((0,), (3,), (200,), (2, 500), (500, 2), (500, 3), (3, 5, 7), (), (7, 600))[
        int(generator.integers(0, 9))
    ]
    values = generator.normal(0, 10.0 ** generator.integers(-5, 38), shape)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        array = np.asarray(values).astype("f8").astype(kind if kind != "M8[s]" else "i8").astype(kind)
    if kind.startswith("f") and array.size and generator.random() < 0.5:
        array.flat[int(generator.integers(0, array.size))] = generator.choice([np.nan, np.inf, -np.inf])
    return (
        _saved(np.save, array)
        if generator.random() < 0.5
        else _saved(np.savez, one=array, rate=5e6, data=array)
    )


def odd_archive(data: bytes, generator: np.random.Generator) -> bytes:
    """Return an archive whose members are no arrays, or only say they are."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name in ("../high.npy", "low.npy", "a/b.txt", "x" * 200)[: int(generator.integers(1, 5))]:
            archive.writestr(name, data[: int(generator.integers(0, len(data)))])
    return out.getvalue()


CHANGES: tuple[Change, ...] = (cut, bitten, bitten, doubled, holed, retold, retold)


def spoilt(generator: np.random.Generator, whole: list[tuple[str, bytes]]) -> tuple[str, bytes]:
    """Return an ending and what stands in the file."""
    ending, data = whole[int(generator.integers(0, len(whole)))]
    if ending in ("npy", "npz") and generator.random() < 0.3:
        data = other_numbers(data, generator) if generator.random() < 0.8 else odd_archive(data, generator)
        return ("npz" if data[:2] == b"PK" else "npy"), data
    for _ in range(1 + (generator.random() < 0.3)):
        data = CHANGES[int(generator.integers(0, len(CHANGES)))](data or b"x", generator)
    return (
        ending if generator.random() < 0.95 else str(generator.choice(["csv", "npy", "npz", "wav"]))
    ), data


def asked(generator: np.random.Generator) -> tuple[Medium | None, Wanted]:
    """Return what the user says beside the file, mostly little."""
    medium = None if generator.random() < 0.7 else list(Medium)[int(generator.integers(0, len(Medium)))]
    rate = 5e6 if generator.random() < 0.85 else None
    columns = ("1", "2", "3") if generator.random() < 0.1 else (None, None, None)
    full = 10.9 if generator.random() < 0.3 else None
    return medium, Wanted(*columns, samples_per_second=rate, volts_full_scale=full)


def outcome(path: Path, medium: Medium | None, wanted: Wanted, page: Page) -> str:
    """Read a file as the command does; return what became of it."""
    try:
        facts = read_capture(path, medium, wanted)
        capture_data(facts)
        print_capture(facts, page)
    except CaptureError as error:
        return "refused in a sentence" if _is_sentence(error) else "refused, not in one sentence"
    try:
        readings_from(facts, Where())
    except CaptureError as error:
        return "read, but nothing for a record" if _is_sentence(error) else "refused, not in one sentence"
    return "read"


def _is_sentence(error: CaptureError) -> bool:
    return bool(str(error)) and "\n" not in str(error)


def main() -> None:
    """Spoil and read."""
    from rich.console import Console  # noqa: PLC0415

    count, seed = [*(int(text) for text in sys.argv[1:]), *(2000, 1)[len(sys.argv) - 1 :]]
    generator, counts, slowest = np.random.default_rng(seed), Counter[str](), 0.0
    page, whole = Page(Console(file=io.StringIO(), width=100)), whole_files()
    warnings.simplefilter("error")
    with tempfile.TemporaryDirectory() as folder:
        for place in range(count):
            ending, data = spoilt(generator, whole)
            path = Path(folder) / f"capture.{ending}"
            path.write_bytes(data)
            medium, wanted = asked(generator)
            began = time.perf_counter()
            try:
                counts[outcome(path, medium, wanted, page)] += 1
            except Exception:
                counts["tracebacks"] += 1
                print(f"file {place} ({ending}, {medium}): {traceback.format_exc(limit=-3)}")
            slowest = max(slowest, time.perf_counter() - began)
    print(f"{count} files: {', '.join(f'{number} {name}' for name, number in counts.most_common())}")
    print(f"tracebacks {counts['tracebacks']}; the slowest took {slowest:.2f} s")
    sys.exit(bool(counts["tracebacks"] + counts["refused, not in one sentence"]))


if __name__ == "__main__":
    main()
