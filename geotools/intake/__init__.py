"""Layers in: drivers, field mapping, CRS and unit guards, geometry repair, findings."""
