"""Code pages: in which encoding a Shapefile says its letters are."""

from __future__ import annotations

import codecs

__all__ = ["stated_encoding"]


def stated_encoding(target: str, sublayer: str) -> str:
    """Return the encoding that a Shapefile states, as Python knows it; "" if it states none."""
    import fiona
    import fiona.errors

    try:
        with fiona.open(target, layer=sublayer) as layer:
            said = layer.tags(ns="SHAPEFILE").get("SOURCE_ENCODING", "")
        return codecs.lookup(said).name if said else ""
    except (fiona.errors.FionaError, fiona.errors.FionaValueError, UnicodeDecodeError, LookupError):
        return ""
