"""Measurement data files (MF4) with bus logging, by asammdf, which is the extra `mf4`.

Groups and channels are those that python-can's reader knows; here they are read by the thousand.
"""

from __future__ import annotations

import importlib.util
import logging
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from casebase.errors import CaptureError
from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    CLASSICAL_WIDTH,
    ERROR,
    ERROR_PASSIVE,
    EXTENDED,
    FD,
    FD_WIDTH,
    REMOTE,
    Channels,
    FrameBlock,
    empty_block,
)
from casebase.intake.bus_log.log_lines import Progress
from casebase.intake.bus_log.text_log import widened

_FRAMES_AT_ONCE: Final = 20_000
_IDENTIFIER: Final = 0x1FFF_FFFF
_BUS_EVENT, _SOURCE_IS_BUS, _BUS_IS_CAN = 0x2, 2, 2
"""ASAM MDF 4: flag of a channel group, type of a source, type of its bus."""

_GROUPS: Final = {"CAN_DataFrame": 0, "CAN_ErrorFrame": ERROR, "CAN_RemoteFrame": REMOTE}
_MARKS: Final = {"IDE": EXTENDED, "EDL": FD, "BRS": BIT_RATE_SWITCH, "ESI": ERROR_PASSIVE}


def measurement_blocks(path: Path, channels: Channels, progress: Progress) -> Iterator[FrameBlock]:
    """Yield the frames of an MF4 log; raise CaptureError where the extra is missing or the file cannot be read."""
    if importlib.util.find_spec("asammdf") is None:
        raise CaptureError(
            f"{path}: MF4 logs need the extra mf4: pip install 'casebase[mf4]'; or have the log written as another"
            " format, such as BLF, ASC or candump"
        )
    done = 0
    try:
        for block, whole in _blocks(path, channels):
            done += len(block)
            progress(min(done, whole), whole)
            yield block
    except CaptureError:
        raise
    except Exception as error:  # asammdf raises whatever a damaged file leads it to
        raise CaptureError(
            f"{path}: after frame {done}: {_told(error)}; the file is damaged or no MF4 log of a bus: copy it again,"
            " or have it repaired or written as another format by the program that wrote it"
        ) from None


def _told(error: Exception) -> str:
    text = " ".join(str(error).split())[:100]
    return "".join(letter for letter in text if letter.isprintable()) or type(error).__name__


def _blocks(path: Path, channels: Channels) -> Iterator[tuple[FrameBlock, int]]:
    """Yield blocks in order of time, and how many frames there are in all."""
    from asammdf import MDF  # noqa: PLC0415

    _quieten()
    with MDF(path) as file:
        start = file.header.start_time.timestamp()
        groups = list(_groups(file))
        whole = sum(count for _, _, count in groups)
        streams = [_of_group(file, name, place, start, channels) for name, place, _ in groups]
        for block in _in_order_of_time(streams):
            yield block, whole


def _quieten() -> None:
    """Keep asammdf from printing what it logs, and from telling of half-opened files that it cannot close."""
    logging.getLogger("asammdf").setLevel(logging.CRITICAL + 1)
    before = sys.unraisablehook
    if getattr(before, "casebase_keeps_quiet", False):
        return

    def hook(told: Any) -> None:
        if "MDF" not in getattr(told.object, "__qualname__", ""):
            before(told)

    hook.casebase_keeps_quiet = True  # type: ignore[attr-defined]
    sys.unraisablehook = hook


def _groups(file: Any) -> Iterator[tuple[str, int, int]]:
    """Yield the name, the place and the count of each group of frames."""
    for place, group in enumerate(file.groups):
        about = group.channel_group
        source = about.acq_source
        if not about.flags & _BUS_EVENT or not about.cycles_nr or source is None:
            continue
        if not source.source_type & _SOURCE_IS_BUS or source.bus_type != _BUS_IS_CAN:
            continue
        names = {channel.name for channel in group.channels}
        name = next((name for name in _GROUPS if name in names), None)
        if name is not None:
            yield name, place, int(about.cycles_nr)


def _of_group(file: Any, name: str, place: int, start: float, channels: Channels) -> Iterator[FrameBlock]:
    for offset in range(0, file.groups[place].channel_group.cycles_nr, _FRAMES_AT_ONCE):
        signal = file.get(name, place, record_offset=offset, record_count=_FRAMES_AT_ONCE, raw=False)
        yield _block(signal, name, start, channels)


def _block(signal: Any, name: str, start: float, channels: Channels) -> FrameBlock:
    samples = signal.samples
    fields = set(samples.dtype.names or ())

    def field(key: str) -> Any:
        return samples[f"{name}.{key}"] if f"{name}.{key}" in fields else None

    rows = field("DataBytes") if name == "CAN_DataFrame" else None
    lengths = field("DataLength" if rows is not None else "DLC")
    wide = rows is not None and lengths is not None and lengths.max(initial=0) > CLASSICAL_WIDTH
    block = empty_block(len(samples), FD_WIDTH if wide else CLASSICAL_WIDTH)
    block.seconds[:] = signal.timestamps + start
    numbers = field("ID")
    if numbers is not None:
        block.identifiers[:] = numbers.astype(np.uint64) & _IDENTIFIER
    block.kinds[:] = _GROUPS[name] | (EXTENDED if field("IDE") is None else 0)
    for key, kind in _MARKS.items():
        marks = field(key)
        if marks is not None:
            block.kinds[:] |= np.where(marks != 0, kind, 0).astype(np.uint8)
    _fill_data(block, rows, lengths)
    _name_channels(block, field("BusChannel"), channels)
    return block


def _fill_data(block: FrameBlock, rows: Any, lengths: Any) -> None:
    """Fill in data and lengths; raise ValueError where more bytes are told than there are."""
    if lengths is None:
        return
    told = lengths.astype(np.int64)
    if rows is None:
        block.lengths[:] = np.minimum(told, FD_WIDTH)
        return
    width = min(rows.shape[1], block.data.shape[1])
    fits = np.where(block.having(FD), width, min(width, CLASSICAL_WIDTH))
    if (told > fits).any():
        raise ValueError("a frame of more bytes than it can have")
    block.lengths[:] = told
    block.data[:, :width] = np.where(np.arange(width) < told[:, None], rows[:, :width], 0)


def _name_channels(block: FrameBlock, numbers: Any, channels: Channels) -> None:
    if numbers is None:
        block.channels[:] = channels.number(None)
        return
    for number in np.unique(numbers):
        block.channels[numbers == number] = channels.number(int(number))


def _in_order_of_time(streams: list[Iterator[FrameBlock]]) -> Iterator[FrameBlock]:
    """Yield the frames of several streams, each in order of time, as one."""
    heads = [next(stream, None) for stream in streams]
    while live := [place for place, head in enumerate(heads) if head is not None]:
        until = min(float(head.seconds.max()) for head in heads if head is not None)
        taken: list[FrameBlock] = []
        for place in live:
            head = heads[place]
            if head is None:
                continue
            count = int(np.searchsorted(np.maximum.accumulate(head.seconds), until, side="right"))
            taken.append(head.taken(slice(0, count)))
            rest = head.taken(slice(count, None))
            heads[place] = rest if len(rest) else next(streams[place], None)
        yield _sorted(taken)


def _sorted(blocks: list[FrameBlock]) -> FrameBlock:
    if len(blocks) == 1:
        return blocks[0]
    width = max(block.data.shape[1] for block in blocks)
    wide = [widened(block, width) for block in blocks]
    order = np.argsort(np.concatenate([block.seconds for block in wide]), kind="stable")
    return FrameBlock(
        *(np.concatenate([getattr(one, name) for one in wide])[order] for name in FrameBlock.__slots__)
    )
