"""What a plan is measured against, each a process of its own: the layers read and written alone.

python -m tests.bench.tasks read FILE
python -m tests.bench.tasks read_write FILE STATIONS TARGET
"""

from __future__ import annotations

import sys
from pathlib import Path

import pyogrio


def read(file: Path) -> None:
    """Read all layers of a file with pyogrio alone."""
    for name, _ in pyogrio.list_layers(file):
        pyogrio.read_arrow(file, layer=name)


def read_write(file: Path, stations: Path, target: Path) -> None:
    """Read all layers, then write a layer of stations, kept as Arrow, to a GeoPackage."""
    import pyarrow.feather

    read(file)
    table = pyarrow.feather.read_table(stations)
    target.unlink(missing_ok=True)
    pyogrio.write_arrow(
        table,
        target,
        layer="stations",
        driver="GPKG",
        geometry_name="geom",
        geometry_type="Point",
        crs="EPSG:32633",
    )


if __name__ == "__main__":
    globals()[sys.argv[1]](*map(Path, sys.argv[2:]))
