"""Code pages: in which encoding a file says its letters are, and which are not left to GDAL.

GDAL's recoding keeps a letter back until it has seen whether the next one is a mark upon it. That
which comes last is then lost: the last letter of every value in Hebrew.
"""

from __future__ import annotations

from pathlib import Path

from geotools.errors import LayerError
from geotools.intake.environment import fiona_environment
from geotools.intake.letters import encoding_name

__all__ = ["lossy_text", "stated_encoding", "to_decode"]

_KEPT_BACK = ("cp1255", "cp1258", "big5hkscs", "shift_jisx0213", "euc_jisx0213")
_UNKNOWN = ("tcvn",)  # as those, and not known to Python
_HEBREW, _HEAD = b"WindowsHebrew", 512  # how MapInfo calls 1255, within so many bytes
_BY_NUMBER = {"125": "Windows-1255", "126": "Windows-1256"}  # of the DBF, not known to GDAL


def to_decode(label: str, target: str, sublayer: str) -> str:
    """Return the encoding a Shapefile states if it must not be left to GDAL, else "".

    Raises
    ------
    LayerError
        If letters would be lost in it.
    """
    said = _stated(target, sublayer)
    if said.casefold().startswith(_UNKNOWN):
        raise LayerError(
            label,
            f"says that its text is {said}, of which the last letters would be lost; export the "
            "file again as UTF-8",
        )
    kept_back = encoding_name(said) in _KEPT_BACK
    return said if kept_back or said in _BY_NUMBER.values() else ""


def stated_encoding(target: str, sublayer: str) -> str:
    """Return the encoding that a Shapefile states, as Python knows it; "" if it states none."""
    return encoding_name(_stated(target, sublayer))


def _stated(target: str, sublayer: str) -> str:
    import fiona
    import fiona.errors

    try:
        with fiona_environment(), fiona.open(target, layer=sublayer) as layer:
            tags = layer.tags(ns="SHAPEFILE")
    except (fiona.errors.FionaError, fiona.errors.FionaValueError, UnicodeDecodeError):
        return ""
    said = str(tags.get("SOURCE_ENCODING") or "")
    return said if said or "CPG_VALUE" in tags else _BY_NUMBER.get(tags.get("LDID_VALUE", ""), "")


def lossy_text(driver: str, path: Path | None) -> str:
    """Say of a MapInfo file in Hebrew that letters are lost, and what to do; "" of others."""
    if driver != "MapInfo File" or path is None or not path.is_file():
        return ""
    with path.open("rb") as stream:
        if _HEBREW not in stream.read(_HEAD):
            return ""
    return (
        f"text is in {_HEBREW.decode()}, of which the last letter of every value that ends in a "
        "Hebrew letter is lost; export the layer as GeoPackage or Shapefile"
    )
