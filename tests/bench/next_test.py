"""How fast the proposed tests lead to the state: against random order and against a fixed textbook order.

    python tests/bench/next_test.py [BUSES PER STATE]

Each simulated bus (draws the bank does not hold) is tested until one state has 90 %, or nothing is left to do; the
readings carry a meter's error. Printed per way of working: tests and minutes on average, how often the state settled
on is the true one. The textbook reads ohms between the lines, volts, then unplugs one module after the other and reads
both again, then the rest; its second form reads each line's ohms to ground before it unplugs anything.
"""

import random
import sys
from pathlib import Path
from tempfile import gettempdir

import numpy as np

from casebase.bus.bank import Bank
from casebase.bus.diagnose import weighed
from casebase.bus.instruments import Uncertain, observed
from casebase.bus.interpret import Interpreted
from casebase.bus.next_test import candidates_for, next_tests
from casebase.bus.observation import GroundPairRead, LevelRead, NumberRead, OverLimitRead, TrafficRead
from casebase.bus.pair import PAIR_STATES, draw_pairs, high_speed_can
from casebase.bus.pair_draws import ROLES
from casebase.bus.roles import Roles

SURE = 0.9
MOST_TESTS = 14
NAMES = dict(zip(ROLES, ("ECM", "BCM", "ABS", "EPS", "radio"), strict=True))
SEED = 4711


def true_buses(per_state):
    """Return (state, {unplugged: columns}) of buses that are not in the bank."""
    for index, state in enumerate(PAIR_STATES):
        drawn = draw_pairs(state, per_state, np.random.default_rng(SEED + index))
        views = {unplugged: observed(drawn, unplugged) for unplugged in ("nothing", *ROLES)}
        for bus in range(per_state):
            yield (
                state,
                {key: {name: column[bus] for name, column in view.items()} for key, view in views.items()},
            )


class Meter:
    """Reads a true bus with a gain of its own and scatter."""

    def __init__(self, noise):
        self.noise = noise
        self.ohms_gain, self.volts_gain = 1 + noise.normal(0, 0.005), 1 + noise.normal(0, 0.004)

    def ohms(self, true):
        """Return a resistance as shown."""
        return true * self.ohms_gain * (1 + self.noise.normal(0, 0.003)) + abs(self.noise.normal(0, 0.2))

    def volts(self, true):
        """Return a voltage as shown."""
        return true * self.volts_gain + self.noise.normal(0, 0.004 + 0.006 * abs(true))


def read(candidate, truth, meter):
    """Return the observations that doing a test gives."""
    view, seen = candidate.view, truth[candidate.view.unplugged]
    true = {name: seen[view.column(name)] for name in ("ohms_between", "ohms_high_ground", "ohms_low_ground")}
    if candidate.kind.words.startswith("ohms between"):
        return [ohms_read(view, "ohms_between", true["ohms_between"], meter)]
    if candidate.kind.words.startswith("ohms of each"):
        high, low = true["ohms_high_ground"], true["ohms_low_ground"]
        if 300 < high < 2e7 and 300 < low < 2e7:
            pair = [Uncertain(meter.ohms(value), 0.006 * value) for value in (high, low)]
            return [GroundPairRead((0,), view, *pair, 0.5)]
        return [
            ohms_read(view, f"ohms_{line}_ground", true[f"ohms_{line}_ground"], meter)
            for line in ("high", "low")
        ]
    if candidate.kind.words.startswith("volts"):
        shown = {line: meter.volts(seen[view.column(f"volts_{line}")]) for line in ("high", "low")}
        return [
            NumberRead((0,), view, f"volts_{line}", Uncertain(volts, float(np.hypot(0.005, 0.0092 * volts))))
            for line, volts in shown.items()
        ]
    levels = [
        LevelRead(
            (0,), view, f"{name}_{line}", seen[view.column(f"{name}_{line}")] + meter.noise.normal(0, 0.08)
        )
        for name in ("recessive", "dominant")
        for line in ("high", "low")
    ]
    return [TrafficRead((0,), view, seen[view.column("traffic")] > 0.5), *levels]


def ohms_read(view, quantity, true, meter):
    """Return one resistance as read, `OL` above 40 Mohm."""
    if true > 4e7:
        return OverLimitRead((0,), view, quantity)
    shown = meter.ohms(true)
    return NumberRead((0,), view, quantity, Uncertain(shown, float(np.hypot(0.25, 0.006 * shown))))


def start(bank):
    """Return the diagnosis before any reading."""
    return weighed(bank, Roles({}, NAMES), (), Interpreted())


def after(diagnosis, observations):
    """Return the diagnosis after some more observations."""
    everything = Interpreted([*diagnosis.observations, *observations])
    return weighed(diagnosis.bank, diagnosis.roles, (), everything)


def proposed(diagnosis, _):
    """Return the test that the tool proposes."""
    found = next_tests(diagnosis, 1)
    return found[0].candidate if found else None


def at_random(diagnosis, order):
    """Return any test not done yet."""
    left = list(candidates_for(diagnosis))
    return order.choice(left) if left else None


def textbook(diagnosis, _):
    """Return the next test of the fixed order: ohms, volts, unplug one by one, the rest."""
    return min(candidates_for(diagnosis), key=lambda candidate: textbook_place(candidate, 2), default=None)


def textbook_with_ground(diagnosis, _):
    """Return the next test of the fixed order that reads ohms to ground before it unplugs anything."""
    return min(candidates_for(diagnosis), key=lambda candidate: textbook_place(candidate, 0), default=None)


def textbook_place(candidate, ground_comes):
    """Return where a test stands in the fixed order: stage, module, kind."""
    kinds = ("ohms between", "volts", "ohms of each", "scope")
    kind = next(place for place, words in enumerate(kinds) if candidate.kind.words.startswith(words))
    if candidate.view.place != "DLC" or kind == 3:
        return (3, kind, candidate.unplugged)
    if kind == 2:
        return (
            (ground_comes, 2, candidate.unplugged) if not candidate.unplugged else (2, 2, candidate.unplugged)
        )
    return (0, kind, "") if not candidate.unplugged else (1, kind, candidate.unplugged)


def work(bank, truth, choose, noise, order):
    """Return (state settled on or None, tests, minutes)."""
    diagnosis, meter, minutes = start(bank), Meter(noise), 0.0
    for tests in range(MOST_TESTS + 1):
        state, share = diagnosis.ranked()[0]
        if share >= SURE:
            return state, tests, minutes
        candidate = choose(diagnosis, order) if tests < MOST_TESTS else None
        if candidate is None:
            return None, tests, minutes
        minutes += candidate.minutes
        diagnosis = after(diagnosis, read(candidate, truth, meter))
    return None, MOST_TESTS, minutes


def main():
    """Print the three ways of working side by side."""
    per_state = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    bank = Bank(high_speed_can(), Path(gettempdir()) / "casebase-bench-bank")
    ways = {
        "proposed": proposed,
        "random order": at_random,
        "textbook order": textbook,
        "textbook, ground": textbook_with_ground,
    }
    results = {name: [] for name in ways}
    for number, (state, truth) in enumerate(true_buses(per_state)):
        for name, choose in ways.items():
            found = work(bank, truth, choose, np.random.default_rng(number), random.Random(number))
            results[name].append((state, *found))
    base = np.mean([row[3] for row in results["textbook order"]])
    for name, rows in results.items():
        settled = [row for row in rows if row[1] is not None]
        right = np.mean([row[0] == row[1] for row in settled])
        tests, minutes = np.mean([row[2] for row in rows]), np.mean([row[3] for row in rows])
        print(
            f"{name:16} {tests:5.2f} tests  {minutes:6.1f} min  {minutes / base:4.2f} of textbook"
            f"  settled {len(settled) / len(rows):4.2f}, of these right {right:4.2f}"
        )


if __name__ == "__main__":
    main()
