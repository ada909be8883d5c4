"""Styles as files: OGC Styled Layer Descriptor 1.0.0 (OGC 02-070), one for each layer.

Version 1.0.0 is the one most programs read. Field names are those of the file the style is for,
unit suffix included.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from xml.etree import ElementTree

from geotools.deliver.files import (
    check_free,
    check_place,
    clear_parts,
    part_of,
    put_in_place,
    sync,
    sync_folder,
)
from geotools.deliver.styles import STYLES, Area, Comparison, Label, Line, Mark, Rule
from geotools.errors import OutputError
from geotools.schema import DIMENSIONS, OUTPUTS, Layer

__all__ = ["check_styles", "style_folder", "style_names", "style_text", "styles_beside"]

_SLD, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
_XSI = "http://www.w3.org/2001/XMLSchema-instance"
_SCHEMA = f"{_SLD} http://schemas.opengis.net/sld/1.0.0/StyledLayerDescriptor.xsd"
_COMPARISONS = {
    "=": "PropertyIsEqualTo",
    "<>": "PropertyIsNotEqualTo",
    "<": "PropertyIsLessThan",
    ">=": "PropertyIsGreaterThanOrEqualTo",
}
Element = ElementTree.Element


def style_folder(plan: Path) -> Path:
    """Return the folder the styles of a GeoPackage lie in, beside it."""
    return plan.with_name(f"{plan.stem}_styles")


def style_names(layers: Iterable[str]) -> list[str]:
    """Return the layers that have a style."""
    return [name for name in layers if name in STYLES and OUTPUTS[name].geometry]


def check_styles(
    plan: Path,
    layers: Iterable[str],
    *,
    overwrite: bool,
    folder: Path | None = None,
    by_brief: bool = True,
) -> None:
    """Check that the styles of a GeoPackage can be written; call it before any long work.

    Parameters as for `styles_beside`; ``by_brief`` where the brief of the call says whether there
    are styles.

    Raises
    ------
    OutputError
        If the folder is none, or a style exists and may not be replaced.
    """
    folder = folder or style_folder(plan)
    if folder.exists() and not folder.is_dir():
        raise OutputError(
            f"{folder}: is a file, and styles are to go into a folder of that name; move it, or "
            "choose another name for the output"
        )
    if not folder.is_dir():
        return
    ways = "choose another name for the output or give --overwrite"
    if by_brief:
        ways += ", or --set output.styles=false to write none and keep it"
    for name in style_names(layers):
        style = folder / f"{name}.sld"
        target = check_place(style, suffix=".sld")
        perhaps = ", perhaps from an earlier plan"
        check_free(style, target, overwrite=overwrite, perhaps=perhaps, ways=ways)


@contextmanager
def styles_beside(
    plan: Path,
    layers: Iterable[str],
    *,
    units: str,
    folder: Path | None = None,
    overwrite: bool = True,
    wanted: bool = True,
) -> Iterator[None]:
    """Write the styles of a GeoPackage beside it; they take their places when it has taken its own.

    The GeoPackage is written within. Where it cannot be, or the styles cannot, all is as before.

    Parameters
    ----------
    plan : Path
        The GeoPackage.
    layers : iterable of str
        Layers in it; those without geometry have no style.
    units : {"si", "us"}
        Of its columns.
    folder : Path, optional
        Where several GeoPackages share their styles; else that of `style_folder`.
    overwrite : bool
        Whether files that came to be there in the meantime may be replaced.
    wanted : bool
        Whether it has styles at all.

    Raises
    ------
    OutputError
        If the system refuses to write; the text says whether the GeoPackage is in its place.
    """
    folder = folder or style_folder(plan)
    names = style_names(layers) if wanted else []
    parts = {folder / f"{name}.sld": part_of(folder / f"{name}.sld") for name in names}
    made = bool(parts) and not folder.exists()
    try:
        _write_parts(folder, parts, units)
        yield
        _put_in_place(plan, parts, overwrite=overwrite)
    finally:
        for part in parts.values():
            with suppress(OSError):  # where the folder could not be made
                part.unlink(missing_ok=True)
        if made:
            with suppress(OSError):  # it holds styles
                folder.rmdir()


def _write_parts(folder: Path, parts: Mapping[Path, Path], units: str) -> None:
    """Write styles under the names of their parts, and wait until they are on the disk."""
    try:
        if parts:
            folder.mkdir(exist_ok=True)
        for target, part in parts.items():
            clear_parts(target)
            text = style_text(target.stem, units=units)
            part.write_text(text, encoding="utf-8", newline="\n")
            sync(part)
    except OSError as error:
        raise OutputError(
            f"{folder}: writing the styles failed ({error.strerror or error}); nothing existing "
            "was touched; check the free space and permissions of the folder"
        ) from error


def _put_in_place(plan: Path, parts: Mapping[Path, Path], *, overwrite: bool) -> None:
    """Move styles to their places, now that the GeoPackage is there."""
    try:
        for target, part in parts.items():
            check_free(target, target, overwrite=overwrite)
            put_in_place(part, target)
        for folder in {target.parent for target in parts}:
            sync_folder(folder)
    except (OSError, OutputError) as error:
        reason = error if isinstance(error, OutputError) else error.strerror or error
        raise OutputError(f"{plan}: is written, but not all of its styles: {reason}") from error


def style_text(name: str, *, units: str) -> str:
    """Return the style of a layer as a Styled Layer Descriptor.

    Parameters
    ----------
    name : str
        Key of ``schema.OUTPUTS``.
    units : {"si", "us"}
        Of the columns of the file.
    """
    layer = OUTPUTS[name]
    root = Element(
        "StyledLayerDescriptor",
        {
            "version": "1.0.0",
            "xmlns": _SLD,
            "xmlns:ogc": _OGC,
            "xmlns:xsi": _XSI,
            "xsi:schemaLocation": _SCHEMA,
        },
    )
    named = _child(root, "NamedLayer")
    _child(named, "Name", name)
    style = _child(named, "UserStyle")
    _child(style, "Name", name)
    _child(style, "Title", layer.text)
    _child(style, "IsDefault", "1")
    features = _child(style, "FeatureTypeStyle")
    for rule in STYLES[name]:
        _rule(features, rule, layer, units)
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _child(parent: Element, tag: str, text: str | None = None, **attributes: str) -> Element:
    element = ElementTree.SubElement(parent, tag, attributes)
    element.text = text
    return element


def _rule(parent: Element, rule: Rule, layer: Layer, units: str) -> None:
    element = _child(parent, "Rule")
    _child(element, "Name", rule.title)
    _child(element, "Title", rule.title)
    if rule.tests:
        within = _child(element, "ogc:Filter")
        if len(rule.tests) > 1:
            within = _child(within, "ogc:And")
        for test in rule.tests:
            _test(within, test, layer, units)
    if rule.below is not None:
        _child(element, "MaxScaleDenominator", f"{rule.below:.0f}")
    for symbol in rule.symbols:
        _symbolizer(element, symbol, layer, units)


def _test(parent: Element, test: Comparison, layer: Layer, units: str) -> None:
    """Add a comparison; a value is in SI in the table and in the units of the file here."""
    field = layer.field(test.field)
    element = _child(parent, f"ogc:{_COMPARISONS[test.comparison]}")
    column = field.column(units)
    _child(element, "ogc:PropertyName", column)
    value = test.value
    if isinstance(value, bool):
        word = str(value).lower()
    elif isinstance(value, str):
        word = value
    else:
        factor = 1.0
        if field.dimension is not None:
            _, factor = DIMENSIONS[field.dimension].shown_in(units)
        word = f"{(value - field.zero(column)) / factor:.10g}"
    _child(element, "ogc:Literal", word)


def _symbolizer(
    parent: Element, symbol: Mark | Line | Area | Label, layer: Layer, units: str
) -> None:
    if isinstance(symbol, Mark):
        _graphic(_child(parent, "PointSymbolizer"), symbol)
    elif isinstance(symbol, Line):
        _stroke(_child(parent, "LineSymbolizer"), symbol)
    elif isinstance(symbol, Area):
        _area(parent, symbol)
    else:
        _label(parent, symbol, layer.field(symbol.field).column(units))


def _css(parent: Element, **values: object) -> None:
    for name, value in values.items():
        text = value if isinstance(value, str) else f"{value:g}"
        _child(parent, "CssParameter", text, name=name.replace("_", "-"))


def _stroke(parent: Element, line: Line) -> None:
    element = _child(parent, "Stroke")
    _css(element, stroke=line.stroke, stroke_width=line.width)
    if line.dashes:
        _css(element, stroke_dasharray=" ".join(f"{dash:g}" for dash in line.dashes))


def _graphic(parent: Element, mark: Mark) -> None:
    graphic = _child(parent, "Graphic")
    element = _child(graphic, "Mark")
    _child(element, "WellKnownName", mark.shape)
    if mark.fill is not None:
        _css(_child(element, "Fill"), fill=mark.fill)
    _css(_child(element, "Stroke"), stroke=mark.stroke, stroke_width=mark.width)
    _child(graphic, "Size", f"{mark.size:g}")


def _area(parent: Element, area: Area) -> None:
    """Add an area; a plain fill that lies under a pattern is a symbolizer of its own."""
    if area.fill is not None and area.pattern is not None:
        _plain_fill(_child(parent, "PolygonSymbolizer"), area)
    element = _child(parent, "PolygonSymbolizer")
    if area.pattern is not None:
        _graphic(_child(_child(element, "Fill"), "GraphicFill"), area.pattern)
    elif area.fill is not None:
        _plain_fill(element, area)
    _stroke(element, area.outline)


def _plain_fill(parent: Element, area: Area) -> None:
    _css(_child(parent, "Fill"), fill=area.fill, fill_opacity=area.opacity)


def _label(parent: Element, label: Label, column: str) -> None:
    element = _child(parent, "TextSymbolizer")
    _child(_child(element, "Label"), "ogc:PropertyName", column)
    _css(_child(element, "Font"), font_family="sans-serif", font_size=label.size)
    placement = _child(element, "LabelPlacement")
    if label.along:
        _child(_child(placement, "LinePlacement"), "PerpendicularOffset", "8")
    else:
        point = _child(placement, "PointPlacement")
        anchor = _child(point, "AnchorPoint")
        _child(anchor, "AnchorPointX", "0")
        _child(anchor, "AnchorPointY", "0.5")
        shift = _child(point, "Displacement")
        _child(shift, "DisplacementX", "9")
        _child(shift, "DisplacementY", "5")
    halo = _child(element, "Halo")
    _child(halo, "Radius", "1.5")
    _css(_child(halo, "Fill"), fill="#ffffff", fill_opacity=0.8)
    _css(_child(element, "Fill"), fill=label.colour)
