"""Elevation sampling and profiles along runs."""
