"""Captures in 16-bit WAV files: one or two channels of whole numbers."""

from __future__ import annotations

import wave
from pathlib import Path
from typing import Final

import numpy as np

from casebase.errors import CaptureError
from casebase.intake.capture.samples import Capture, Samples, Wanted, step_from

_FULL_SCALE: Final = 32768.0


def open_wav(path: Path, wanted: Wanted) -> Capture:
    """Open a WAV file; its levels are volts only where `wanted` says what full scale stands for."""
    file, channels, rate, frames = _opened(path)
    most = path.stat().st_size // (2 * channels)
    if frames > most:
        file.close()
        raise CaptureError(
            f"{path.name}: says it holds {frames} samples, its size allows {most}: it is cut short"
        )
    volts_per_count = (wanted.volts_full_scale or _FULL_SCALE) / _FULL_SCALE
    order = _order(channels, wanted, path)

    def read(start: int, stop: int) -> Samples:
        file.setpos(start)
        data = file.readframes(stop - start)
        if len(data) < (stop - start) * 2 * channels:
            raise CaptureError(f"{path.name}: ends before its sample {stop}: it is cut short")
        rows = np.frombuffer(data, dtype="<i2").reshape(-1, channels).T
        return rows[order].astype(np.float32) * np.float32(volts_per_count)

    return Capture(
        path,
        step_from(wanted, 1.0 / rate if rate else None, path),
        frames,
        len(order),
        read,
        volts_known=wanted.volts_full_scale is not None,
        scale=wanted.scale,
        at_end=file.close,
    )


def _opened(path: Path) -> tuple[wave.Wave_read, int, int, int]:
    """Return the file, its channels, samples per second and samples; raise where it is no 16-bit WAV file."""
    try:
        file = wave.open(str(path), "rb")  # noqa: SIM115  it stays open while the capture is read
    except (wave.Error, EOFError, ValueError, RuntimeError) as error:
        raise CaptureError(
            f"{path.name}: is no WAV file of plain samples ({error or 'it ends early'})"
        ) from None
    if file.getsampwidth() != 2:
        width = file.getsampwidth() * 8
        file.close()
        raise CaptureError(f"{path.name}: holds {width}-bit samples: expected 16-bit")
    return file, file.getnchannels(), file.getframerate(), file.getnframes()


def _order(channels: int, wanted: Wanted, path: Path) -> list[int]:
    """Return which channel is the first line, and which the second."""
    if wanted.time:
        raise CaptureError(f"{path.name}: a WAV file has no column of time: leave it out of --columns")
    chosen = [_channel(one, channels, path) for one in (wanted.high, wanted.low) if one]
    if chosen:
        return chosen
    if channels > 2:
        raise CaptureError(f"{path.name}: has {channels} channels: say which with --columns, such as -,1,2")
    return list(range(channels))


def _channel(named: str, channels: int, path: Path) -> int:
    if named.isdecimal() and 1 <= int(named[:6]) <= channels:
        return int(named) - 1
    raise CaptureError(f"{path.name}: has no channel {named}: expected 1 to {channels}")
