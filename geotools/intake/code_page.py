"""Code pages: in which encoding a Shapefile says its letters are, and those it is not left to GDAL.

GDAL's recoding keeps a letter back until it has seen whether the next one is a mark upon it. That
which comes last is then lost: the last letter of every value in Hebrew.
"""

from __future__ import annotations

from geotools.errors import LayerError
from geotools.intake.letters import encoding_name

__all__ = ["stated_encoding", "to_decode"]

_KEPT_BACK = ("cp1255", "cp1258", "big5hkscs", "shift_jisx0213", "euc_jisx0213")
_UNKNOWN = ("tcvn",)  # as those, and not known to Python
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
        with fiona.open(target, layer=sublayer) as layer:
            tags = layer.tags(ns="SHAPEFILE")
    except (fiona.errors.FionaError, fiona.errors.FionaValueError, UnicodeDecodeError):
        return ""
    said = str(tags.get("SOURCE_ENCODING") or "")
    return said if said or "CPG_VALUE" in tags else _BY_NUMBER.get(tags.get("LDID_VALUE", ""), "")
