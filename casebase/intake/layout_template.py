"""The template of a wiring layout: a small layout, whole as it stands, with every key explained beside it."""

from __future__ import annotations

from typing import Final

LAYOUT_TEMPLATE: Final = """\
# A wiring layout for casebase, whole as it stands: put your own in place of what is invented here. Lines that
# start with "# " explain. What is not known is left out. Keep it with: casebase log FILE
kind: network layout

# The vehicles it holds for: make, and models or the platform they share. equipment: what it is true of alone.
vehicles:
  make: Norrvik
  models: [Skarn]
  platform: K4
  first_year: 2012
  last_year: 2019
  equipment: without tow bar

# Where it is known from: measured, from the maker's diagram, guessed. Each part may have a source of its own.
source: from the maker's diagram

# partly_known: yes allows loose ends and modules that no wire reaches; missing says what is not known.
# partly_known: yes
# missing: the comfort network

networks:
  - name: powertrain CAN
    medium: high-speed CAN
    bit_rate: 500 kbit/s
    # The module or splice that holds each terminator. Another name is a resistor of its own on the harness.
    terminators: [ECM, {at: BCM, ohms: 120 ohm}]
    # Runs of wire from place to place, a length between two places where it is known. What is trunk and what a stub
    # follows from it. A module that two wires reach has the bus passing through it.
    wires:
      - [ECM, 0.4 m, S11, 1.8 m, X40, 1.2 m, S15, 0.3 m, BCM]
      - [S15, DLC]
      - {through: [S11, 0.8 m, ABS], source: guessed}
    # ring: yes where the trunk closes to a ring.

# Modules by the names that your cases give them. at: where it is found. minutes: to get at it, trim off and on.
modules:
  - {name: ECM, at: "engine bay, left", minutes: 10}
  - {name: ABS, at: "engine bay, below the brake servo", minutes: 15}
  - BCM

# Modules that pass frames from one network to another; what stands behind them is reached through them.
gateways: [BCM]

# Inline plugs: two halves that part. A plug has one name, also where wires of several networks pass through it.
plugs:
  - {name: X40, at: "bulkhead, left", minutes: 12, pins: {powertrain CAN: 21 and 22}}

# Splices. can_be_parted: yes for a joint connector whose branches come off.
splices:
  - S11
  - {name: S15, at: behind the glove box, minutes: 20, can_be_parted: no}

# Fuses, relays and fusible links, and what each supplies. through: the plugs that the feed passes.
feeds:
  - {name: F11, kind: fuse, modules: [ABS, ECM], minutes: 3, through: [X40]}

# Ground points, and the modules whose ground goes there.
grounds:
  - {name: G5, at: behind the left headlamp, modules: [ABS], minutes: 15}

note:
provenance: {author: your handle, shop: your shop}
"""
"""Loads as it stands; a test holds every key of a layout to be in it."""
