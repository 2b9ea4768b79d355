"""Numbers read on a layout, all together: how well each row explains them.

Some dozen rows of a way stand for all networks with that fault. What differs between neighbouring rows besides the size
of the fault (terminators, bias, traffic) is common to readings at several places: its covariance, taken from the rows
of each way, makes the kernel around each row. So what two places have in common cancels, and few rows go far.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import log
from typing import Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.instruments import OHMS_GAIN, OHMS_LEADS, OHMS_REPEAT, Uncertain, View
from casebase.bus.layout.rows import Rows
from casebase.bus.observation import (
    OHMS_SPAN,
    VOLTS_SPAN,
    GroundPairRead,
    NumberRead,
    Observation,
    VoltsPairRead,
)
from casebase.bus.posterior import ANY_SLIP, USUAL_SLIPS

KERNEL: Final = 0.6
"""Share of the covariance between neighbouring rows that makes the kernel: the rows themselves scatter as much."""

SHRUNK: Final = 0.15
"""Share by which covariances are drawn toward none between readings: they come from few rows."""

JUMP: Final = 4.0
"""Differences of neighbours count as at most so many times the usual: a way may jump once, as from open to nearly."""

LEAST_LOG_OHMS, LEAST_VOLTS = 0.01, 0.01
"""Smoothing of what is read: no network is drawn exactly."""

LARGEST_OHMS: Final = 2e7
ADDED_OHMS: Final = 2.0
TAILS: Final = 8.0
"""Degrees of freedom of the kernel: it falls off more slowly than errors of one size would (judged)."""


@dataclass(frozen=True)
class Component:
    """One number: where and what, as read, its standard error, and whether it is ohms (their gain is common)."""

    observation: int
    view: View
    quantity: str
    read: float
    error: float
    is_ohms: bool

    def seen(self, rows: Rows) -> Array:
        """Return what each row shows, shape (ways, rows)."""
        values = np.asarray(rows.columns(self.view.unplugged)[self.view.column(self.quantity)]).reshape(
            rows.shape
        )
        return _log_ohms(values) if self.is_ohms else values


def _log_ohms(ohms: Array) -> Array:
    return np.asarray(np.log(np.minimum(ohms, LARGEST_OHMS) + ADDED_OHMS))


def components(observations: Sequence[Observation]) -> list[Component]:
    """Return the numbers among observations."""
    return [part for number, one in enumerate(observations) for part in _parts(number, one)]


def _parts(number: int, one: Observation) -> Iterator[Component]:
    if isinstance(one, NumberRead):
        yield _part(number, one.view, one.quantity, one.read)
    elif isinstance(one, VoltsPairRead):
        yield _part(number, one.view, "volts_high", one.high.read)
        yield _part(number, one.view, "volts_low", one.low.read)
    elif isinstance(one, GroundPairRead):
        yield _part(number, one.view, "ohms_high_ground", one.high)
        yield _part(number, one.view, "ohms_low_ground", one.low)


def _part(number: int, view: View, quantity: str, read: Uncertain) -> Component:
    if not quantity.startswith("ohms"):
        return Component(number, view, quantity, read.value, float(np.hypot(read.error, LEAST_VOLTS)), False)
    ohms = min(read.value, LARGEST_OHMS) + ADDED_OHMS
    # The gain is common to all ohms of a meter; what is left of the error is each reading's own.
    typing = max(read.error**2 - (OHMS_GAIN * read.value) ** 2 - OHMS_LEADS**2, 0.0)
    own = (OHMS_REPEAT * read.value) ** 2 + OHMS_LEADS**2 + typing
    return Component(
        number, view, quantity, log(ohms), float(np.hypot(own**0.5 / ohms, LEAST_LOG_OHMS / 4)), True
    )


def log_of_numbers(parts: Sequence[Component], rows: Rows) -> Array:
    """Return the log of how well each row explains the numbers, shape (ways, rows).

    Any one observation may have been taken wrongly, and then shows anything.
    """
    seen = np.stack([part.seen(rows) for part in parts], axis=1)
    apart = np.array([part.read for part in parts])[None, :, None] - seen
    covariance = _meter(parts)[None] + KERNEL * _scatter(seen)
    inverse = np.asarray(np.linalg.inv(covariance))
    _, log_size = np.linalg.slogdet(covariance)
    pulled = inverse @ apart
    misfit = (apart * pulled).sum(axis=1)
    many = len(parts)
    slip = USUAL_SLIPS + ANY_SLIP
    logs = [(1 - slip) ** len({part.observation for part in parts}) * _kernel(misfit, log_size, many)]
    for number in dict.fromkeys(part.observation for part in parts):
        own = [place for place, part in enumerate(parts) if part.observation == number]
        less, block_log = _of_some(pulled, inverse, own)
        anything = chance_of_numbers([parts[place] for place in own])
        logs.append(slip * anything * _kernel(misfit - less, log_size + block_log, many - len(own)))
    return np.asarray(np.log(np.maximum(np.sum(logs, axis=0), 1e-300)))


def chance_of_numbers(parts: Sequence[Component]) -> float:
    """Return how densely anything at all lies where the numbers do: ohms evenly by their logarithm, volts evenly."""
    return float(np.prod([1 / OHMS_SPAN if part.is_ohms else 1 / VOLTS_SPAN for part in parts]))


def _kernel(misfit: Array, log_size: Array, many: int) -> Array:
    """Return the density of a kernel with wide tails, from squared standard errors."""
    return np.asarray(
        np.exp(
            -0.5 * (TAILS + many) * np.log1p(np.maximum(misfit, 0.0) / TAILS)
            - 0.5 * log_size[:, None]
            - 0.5 * many * log(2 * np.pi)
        )
    )


def _of_some(pulled: Array, inverse: Array, own: Sequence[int]) -> tuple[Array, Array]:
    """Return what goes of the squared misfit, and of the log size, when one number or two are left out."""
    if len(own) == 1:
        only = inverse[:, own[0], own[0]]
        return pulled[:, own[0]] ** 2 / only[:, None], np.log(only)
    one, other = own
    a, b, c = inverse[:, one, one], inverse[:, one, other], inverse[:, other, other]
    size = a * c - b * b
    x, y = pulled[:, one], pulled[:, other]
    less = (c[:, None] * x * x - 2 * b[:, None] * x * y + a[:, None] * y * y) / size[:, None]
    return less, np.log(size)


def _meter(parts: Sequence[Component]) -> Array:
    """Return the covariance of what a meter adds, the gain common to all ohms."""
    ohms = np.array([part.is_ohms for part in parts], dtype=float)
    own = np.diag([part.error**2 for part in parts])
    return np.asarray(own + OHMS_GAIN**2 * np.outer(ohms, ohms))


def _scatter(seen: Array) -> Array:
    """Return the covariance of what differs between neighbouring rows of each way, shape (ways, numbers, numbers)."""
    steps = np.diff(seen, axis=2)
    usual = np.median(np.abs(steps), axis=2, keepdims=True) * 1.5 + 1e-6
    steps = np.clip(steps, -JUMP * usual, JUMP * usual)
    whole = 0.5 * np.einsum("wdr,wer->wde", steps, steps) / steps.shape[2]
    alone = np.einsum("wdd->wd", whole)[:, :, None] * np.eye(whole.shape[1])
    return np.asarray((1 - SHRUNK) * whole + SHRUNK * alone)
