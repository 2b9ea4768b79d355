"""How the time to read a pasted scan grows with its length: a ratio far above the lengths' own means a runaway pattern.

python tests/bench/scan_report_speed.py
"""

import time

from casebase.intake.scan_report import read_report

PIECES = (
    "U0121-00 ",
    "U0",
    "SPN 1 FMI 2 ",
    "a,",
    "(",
    " ",
    "no codes ",
    "ABS: U0121\n",
    "Module: ABS\nU0121\n",
    "ABS |",
)
SHORT, LONG = 20_000, 400_000


def seconds(text):
    """Return how long reading a text takes."""
    begun = time.perf_counter()
    read_report(text)
    return time.perf_counter() - begun


def main():
    """Print, for each piece repeated, how much longer twenty times the text takes."""
    for piece in PIECES:
        short, long = (seconds(piece * (length // len(piece))) for length in (SHORT, LONG))
        print(
            f"{piece!r:24} {LONG // SHORT} times the text takes {long / short:6.1f} times as long ({long:.2f} s)"
        )


if __name__ == "__main__":
    main()
