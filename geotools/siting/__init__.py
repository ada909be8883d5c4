"""Candidate pits: footprints, reasons for and against, site cost."""
