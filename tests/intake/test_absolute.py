"""Sources that leave for another process: they mean there what they mean here."""

from __future__ import annotations

from pathlib import Path

import pytest

from geotools.intake.place import absolute


@pytest.mark.parametrize(
    ("source", "due"),
    [
        ("net.gpkg", "{}/net.gpkg"),
        ("net.gpkg:mains", "{}/net.gpkg:mains"),
        ("./net.gpkg:water//./mains", "{}/net.gpkg:water//./mains"),
        ("./GPKG:net.gpkg:dem", "GPKG:{}/net.gpkg:dem"),
        ("GPKG:net.gpkg:ground//./dem", "GPKG:{}/net.gpkg:ground//./dem"),
        ("{}/GPKG:{}/net.gpkg:dem", "GPKG:{}/net.gpkg:dem"),
        ("tiles/*.tif", "{}/tiles/*.tif"),
        ("/vsizip/net.zip/net.shp", "/vsizip/{}/net.zip/net.shp"),
        ("/vsizip/./net.zip/net.gpkg:a//b", "/vsizip/{}/net.zip/net.gpkg:a//b"),
        ("/vsizip/{{net.zip}}/net.gpkg:mains", "/vsizip/{{{}/net.zip}}/net.gpkg:mains"),
        ("/vsizip/{{/there/net.zip}}/net.gpkg", "/vsizip/{{/there/net.zip}}/net.gpkg"),
        ("/there/net.gpkg:mains", "/there/net.gpkg:mains"),
        ("https://host/dem.tif", "https://host/dem.tif"),
        ("/vsicurl/http://host/dem.tif", "/vsicurl/http://host/dem.tif"),
    ],
)
def test_a_local_source_is_told_with_its_folder_and_others_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, source: str, due: str
) -> None:
    for name in ("net.gpkg", "net.zip"):
        (tmp_path / name).touch()
    monkeypatch.chdir(tmp_path)
    here = str(tmp_path)
    assert absolute(source.format(*[here] * 2)) == due.format(here)
