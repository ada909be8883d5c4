"""Make the invented water district: ``python sample_gis/make_sample.py [DIR]``.

The same script gives the same files. What is awkward in them, on purpose, is listed in
``planted.csv`` beside them and explained in the README of this folder.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from making.brief import TEXT
from making.flaws import plant
from making.ground import make_ground
from making.layers import layers, write_ground, write_layers, write_planted
from making.mains import make_mains
from making.points import make_points
from making.town import make_town

SEED = 1887


def _stream(number: int) -> np.random.Generator:
    """A random stream of its own for each part, so that one part does not shift another."""
    return np.random.default_rng([SEED, number])


def make_sample(folder: Path) -> None:
    """Write district.gpkg, dem.tif, brief.toml and planted.csv into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    town = make_town(_stream(1))
    ground = make_ground(town.river, town.railway, _stream(2))
    mains, tees = make_mains(town, ground, _stream(3))
    points = make_points(mains, tees, town, ground, _stream(4))
    planted = plant(mains, tees, points, _stream(5))
    write_layers(folder / "district.gpkg", layers(town, mains, points))
    write_ground(folder / "dem.tif", ground)
    write_planted(folder / "planted.csv", planted)
    (folder / "brief.toml").write_text(TEXT, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    make_sample(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
