"""Invented traffic for tests: senders with a period and a little jitter, times when they are silent, files of it."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import can


@dataclass(frozen=True)
class Sender:
    """One identifier: its period in seconds, its data length, and when it is silent, in seconds since the beginning."""

    identifier: int
    period: float
    length: int = 8
    silent: tuple[tuple[float, float], ...] = ()
    extended: bool = False
    jitter: float = 0.01


def messages(
    senders: Iterable[Sender], seconds: float, *, begin: float = 1_600_000_000.0, seed: int = 1
) -> list[can.Message]:
    """Return what the senders send, in order of time, at whole microseconds."""
    chance = random.Random(seed)
    sent = [message for sender in senders for message in _sent_by(sender, seconds, begin, chance)]
    return sorted(sent, key=lambda message: message.timestamp)


def _sent_by(sender: Sender, seconds: float, begin: float, chance: random.Random) -> Iterable[can.Message]:
    due = chance.random() * sender.period
    while due < seconds:
        at = due + chance.uniform(0, sender.jitter) * sender.period
        if not any(from_ <= at < to for from_, to in sender.silent):
            yield can.Message(
                timestamp=begin + round(at, 6),
                arbitration_id=sender.identifier,
                is_extended_id=sender.extended,
                data=chance.randbytes(sender.length),
                channel=0,
            )
        due += sender.period


def errors(moments: Iterable[float], begin: float = 1_600_000_000.0) -> list[can.Message]:
    """Return error frames at these moments since the beginning."""
    return [can.Message(timestamp=begin + round(at, 6), is_error_frame=True, channel=0) for at in moments]


def write(path: Path, sent: Iterable[can.Message], **how: int) -> Path:
    """Write messages with python-can's writer for the ending of `path`, in order of time."""
    with can.Logger(str(path), **how) as writer:
        for message in sorted(sent, key=lambda message: message.timestamp):
            writer.on_message_received(message)
    return path


ENGINE = (Sender(0x0C8, 0.01), Sender(0x0D0, 0.02))
BRAKES = (Sender(0x1A0, 0.02), Sender(0x1A4, 0.05, 6), Sender(0x1B0, 0.1, 4))
CLUSTER = (Sender(0x400, 0.1), Sender(0x420, 0.5, 2))
"""Three invented modules."""


def silent(senders: Iterable[Sender], *spans: tuple[float, float]) -> tuple[Sender, ...]:
    """Return senders that are silent at these times."""
    return tuple(
        Sender(one.identifier, one.period, one.length, spans, one.extended, one.jitter) for one in senders
    )
