"""Solved vehicle-network cases as structured records, and the past cases most like a stuck job."""

__version__ = "0.1.0"
