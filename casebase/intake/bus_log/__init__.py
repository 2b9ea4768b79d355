"""Logs of a bus: read in blocks, counted, and what they say about who sends, who is late and who fell silent."""
