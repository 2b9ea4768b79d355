"""Scope captures of a bus: samples, levels, bit rate, frames, senders, and what of it is in doubt."""
