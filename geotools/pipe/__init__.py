"""Engineering of the carrier and the host on plain arrays, in SI base units.

Nothing here knows of layers, maps or briefs: every function takes numbers or numpy arrays that
broadcast together, and gives arrays back. All results are planning values.
"""
