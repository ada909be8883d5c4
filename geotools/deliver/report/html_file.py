"""The report: one HTML file that holds all it shows and asks no network for anything."""

from __future__ import annotations

import base64
import gzip
import hashlib
import html
import json
import re
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

from geotools.deliver.files import replacing
from geotools.deliver.read_plan import PlanFile
from geotools.deliver.report.content import gather

__all__ = ["page_of", "write_report"]

_SCRIPTS = ("data.js", "tables.js", "charts.js", "map.js", "runs.js", "app.js")
# What would end a script element, open a comment, or break a line of JavaScript.
_ESCAPES = {c: f"\\u{ord(c):04x}" for c in "<>&\u2028\u2029"}
_PLAIN, _PACKED = "application/json", "application/gzip"
# Larger data is packed, bytes: a browser unpacks it quicker than a disk reads it.
_PACK_ABOVE = 2_000_000


def write_report(
    target: Path, file: PlanFile, *, title: str = "", overwrite: bool = True
) -> dict[str, Any]:
    """Write the report of a plan, screening, comparison or batch, whole or not at all.

    Parameters
    ----------
    target : Path
        As `geotools.deliver.files.check_file` returned it.
    file : PlanFile
    title : str, optional
        Heading; the name of the file if left out.
    overwrite : bool
        Whether a file that came to be there in the meantime may be replaced.

    Returns
    -------
    dict
        What the report shows.

    Raises
    ------
    LayerError
        If a layer cannot be read.
    OutputError
        If it cannot be written.
    """
    content = gather(file, title=title)
    page = page_of(content)
    with replacing(target, overwrite=overwrite) as part:
        part.write_text(page, encoding="utf-8", newline="\n")
    return content


def page_of(content: dict[str, Any]) -> str:
    """Return the page as text.

    Parameters
    ----------
    content : dict
        As `gather` returns it. It gets into the page as JSON in a script element that is never
        run, and from there into the document as text; nothing in it is taken for markup.
    """
    styles = [_without_links(_part("leaflet/leaflet.css")), _part("page.css")]
    library = re.sub(r"\n//# sourceMappingURL=.*", "", _part("leaflet/leaflet.js"))
    own = "(function () {\n" + "\n".join(_part(name) for name in _SCRIPTS) + "})();\n"
    kind, data = _embedded(content)
    return Template(_part("page.html")).substitute(
        policy=_policy(styles, [library, own]),
        title=html.escape(str(content["title"])),
        styles="".join(f"<style>{style}</style>\n" for style in styles),
        kind=kind,
        content=data,
        licence=html.escape(_part("leaflet/LICENSE")),
        library=f"<script>{library}</script>",
        script=f"<script>{own}</script>",
    )


def _part(name: str) -> str:
    return files("geotools.deliver.report").joinpath("page", name).read_text(encoding="utf-8")


def _without_links(style: str) -> str:
    """Leave out images the report does not use: a page must not even name another file."""
    return re.sub(r"url\([^)]*\)", "none", style)


def _embedded(content: dict[str, Any]) -> tuple[str, str]:
    """Return type and text of the data: JSON no HTML parser can mistake for markup, or packed."""
    text = json.dumps(content, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    if len(text) > _PACK_ABOVE:
        packed = gzip.compress(text.encode("utf-8", "replace"), 6, mtime=0)
        return _PACKED, base64.b64encode(packed).decode("ascii")
    for sign, written in _ESCAPES.items():
        text = text.replace(sign, written)
    # a lone surrogate cannot be written to a file
    return _PLAIN, text.encode("utf-8", "replace").decode("utf-8")


def _policy(styles: list[str], scripts: list[str]) -> str:
    """Return a content security policy: these very scripts and styles, and nothing from outside."""
    rules = {
        "default-src": "'none'",
        "script-src": " ".join(_digest(text) for text in scripts),
        "style-src": " ".join(_digest(text) for text in styles),
        "img-src": "data:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    return "; ".join(f"{name} {value}" for name, value in rules.items())


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
