"""Mains to runs: noding, chaining, bends."""
