"""Streets that lie beside the mains: asked about where they would fit, and nowhere else."""

from __future__ import annotations

import tracemalloc

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.affinity

from geotools.intake.alignment import ask_of_shift
from geotools.intake.columns import Lines
from geotools.intake.findings import Findings

BLOCK, ROWS = 150.0, 8


def _town(line):
    """Return the streets of a town in blocks."""
    far = BLOCK * ROWS
    at = BLOCK * np.arange(ROWS + 1)
    return [line((0, a), (far, a)) for a in at] + [line((a, 0), (a, far)) for a in at]


def _streets(shapes, dx=0.0, dy=0.0):
    moved = [shapely.affinity.translate(s, dx, dy) for s in shapes]
    return geopandas.GeoDataFrame({"class": ["local"] * len(moved)}, geometry=moved, crs=32633)


@pytest.mark.parametrize("move", [(120, 80), (-120, 80), (70, -180)])
def test_streets_of_another_datum_are_asked_about(move, network, read, found, line):
    streets = _town(line)
    mains = network([shapely.affinity.translate(s, 4, 3) for s in streets[::2]])
    assert found(read(mains=mains, streets=_streets(streets)), "streets-beside-mains").empty
    texts = found(read(mains=mains, streets=_streets(streets, *move)), "streets-beside-mains")
    assert "Are their datum and CRS right?" in texts["text"][0]


@pytest.mark.parametrize("seed", range(10))
def test_few_streets_in_the_country_are_no_reason_to_ask(seed, network, read, found, line):
    draw = np.random.default_rng(seed)

    def wander():
        turns = np.cumsum(np.append(draw.uniform(0, 6.3), draw.normal(0, 0.3, 14)))
        steps = 80.0 * np.stack([np.cos(turns), np.sin(turns)], axis=1)
        return line(*(draw.uniform(0, 3000, 2) + np.cumsum(steps, axis=0)))

    roads = [wander() for _ in range(4)]
    mains = network([shapely.affinity.translate(roads[0], 6, 3), *(wander() for _ in range(5))])
    assert found(read(mains=mains, streets=_streets(roads)), "streets-beside-mains").empty


def test_a_pipeline_beside_a_road_is_no_reason_to_ask(network, read, found, line):
    layers = read(
        mains=network([line((0, 0), (5000, 0))]), streets=_streets([line((0, 80), (5000, 80))])
    )
    assert found(layers, "streets-beside-mains").empty


def test_streets_far_from_the_mains_looked_at_take_no_memory():
    far = np.array([[[x, 1e6], [x + 2000.0, 1e6]] for x in np.arange(0.0, 5e6, 2000.0)])
    streets = Lines(pd.DataFrame(index=range(len(far))), far.reshape(-1, 2), 2 * np.arange(2501))
    corners = np.array([[0.0, 0.0], [900.0, 0.0], [900.0, 900.0], [0.0, 900.0]])
    mains = Lines(pd.DataFrame(index=[0]), corners, np.array([0, 4]))
    tracemalloc.start()
    ask_of_shift(streets, mains, Findings())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 16 * far.nbytes  # a spot every 10 m would be 100 times as many as vertices
