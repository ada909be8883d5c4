"""Styles: what the standard asks of their files, and what the layers hold for their rules.

The published schema of Styled Layer Descriptor 1.0.0 is in no package of the index used here. The
content models below are those of OGC 02-070 for every element the writer uses, from memory of the
standard; they were held against the order of elements in the package ``ogc-schemas`` 2.6.1 (made
from the published schema), which also read and wrote every style without losing an element.
"""

from __future__ import annotations

import errno
import itertools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import geopandas as gpd
import pytest
import shapely

import geotools
from geotools.cli import main
from geotools.deliver import sld
from geotools.deliver.sld import check_styles, style_folder, style_text, styles_beside
from geotools.deliver.styles import STYLES, Area, Comparison, Label, Line, Mark, Rule
from geotools.errors import OutputError
from geotools.schema import OUTPUTS

SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"
PLACED = [name for name, layer in OUTPUTS.items() if layer.geometry]
NUMBER = r"-?\d+(\.\d+)?"
SHAPES = {"square", "circle", "triangle", "star", "cross", "x"}

# Children of an element, in order, as a pattern; the text of one that has none.
COMPARISON = "PropertyName Literal "
MODELS = {
    "StyledLayerDescriptor": "(Name )?(Title )?(Abstract )?(NamedLayer |UserLayer )*",
    "NamedLayer": "Name (LayerFeatureConstraints )?(NamedStyle |UserStyle )*",
    "UserStyle": "(Name )?(Title )?(Abstract )?(IsDefault )?(FeatureTypeStyle )+",
    "FeatureTypeStyle": "(Name )?(Title )?(Abstract )?(FeatureTypeName )?"
    "(SemanticTypeIdentifier )*(Rule )+",
    "Rule": "(Name )?(Title )?(Abstract )?(LegendGraphic )?(Filter |ElseFilter )?"
    "(MinScaleDenominator )?(MaxScaleDenominator )?"
    "((Line|Polygon|Point|Text|Raster)Symbolizer )+",
    "PointSymbolizer": "(Geometry )?(Graphic )?",
    "LineSymbolizer": "(Geometry )?(Stroke )?",
    "PolygonSymbolizer": "(Geometry )?(Fill )?(Stroke )?",
    "TextSymbolizer": "(Geometry )?(Label )?(Font )?(LabelPlacement )?(Halo )?(Fill )?",
    "Graphic": "(ExternalGraphic |Mark )*(Opacity )?(Size )?(Rotation )?",
    "Mark": "(WellKnownName )?(Fill )?(Stroke )?",
    "Fill": "(GraphicFill )?(CssParameter )*",
    "Stroke": "(GraphicFill |GraphicStroke )?(CssParameter )*",
    "GraphicFill": "Graphic ",
    "Font": "(CssParameter )*",
    "Label": "(PropertyName )",
    "LabelPlacement": "(PointPlacement |LinePlacement )",
    "LinePlacement": "(PerpendicularOffset )?",
    "PointPlacement": "(AnchorPoint )?(Displacement )?(Rotation )?",
    "AnchorPoint": "AnchorPointX AnchorPointY ",
    "Displacement": "DisplacementX DisplacementY ",
    "Halo": "(Radius )?(Fill )?",
    # Filter Encoding 1.0.0, OGC 02-059
    "Filter": "(PropertyIs[A-Za-z]+ |And )",
    "And": "(PropertyIs[A-Za-z]+ ){2,}",
    "PropertyIsEqualTo": COMPARISON,
    "PropertyIsNotEqualTo": COMPARISON,
    "PropertyIsLessThan": COMPARISON,
    "PropertyIsGreaterThanOrEqualTo": COMPARISON,
}
TEXTS = {
    "Name": r".+",
    "Title": r".+",
    "IsDefault": "1|0|true|false",
    "MaxScaleDenominator": NUMBER,
    "WellKnownName": "|".join(SHAPES),
    "Size": NUMBER,
    "Radius": NUMBER,
    "PerpendicularOffset": NUMBER,
    "AnchorPointX": NUMBER,
    "AnchorPointY": NUMBER,
    "DisplacementX": NUMBER,
    "DisplacementY": NUMBER,
    "PropertyName": r"[a-z][a-z0-9_]*",
    "Literal": r".+",
    "CssParameter": r".+",
}
PARAMETERS = {
    "Fill": {"fill": "#[0-9a-f]{6}", "fill-opacity": "0(\\.\\d+)?|1"},
    "Stroke": {
        "stroke": "#[0-9a-f]{6}",
        "stroke-width": NUMBER,
        "stroke-dasharray": rf"{NUMBER}( {NUMBER})+",
    },
    "Font": {"font-family": ".+", "font-size": NUMBER},
}
IN_OGC = {"Filter", "And", "PropertyName", "Literal", *(n for n in MODELS if "Property" in n)}


def faults(element: ElementTree.Element) -> Iterator[str]:
    """Say where an element and those in it depart from the standard."""
    name = element.tag.rpartition("}")[2]
    if element.tag != f"{OGC if name in IN_OGC else SLD}{name}":
        yield f"{element.tag}: wrong namespace"
    children = "".join(f"{child.tag.rpartition('}')[2]} " for child in element)
    if name in MODELS:
        if not re.fullmatch(MODELS[name], children):
            yield f"{name}: {children}"
    elif name not in TEXTS:
        yield f"{name}: not known"
    elif children or not re.fullmatch(TEXTS[name], element.text or ""):
        yield f"{name}: {children}{element.text!r}"
    for parameter in element.findall(f"{SLD}CssParameter"):
        known = PARAMETERS.get(name, {}).get(parameter.get("name", ""), "(?!)")
        if not re.fullmatch(known, parameter.text or ""):
            yield f"{name}: {parameter.attrib} {parameter.text!r}"
    for child in element:
        yield from faults(child)


def parsed(name: str, units: str = "si") -> ElementTree.Element:
    return ElementTree.fromstring(style_text(name, units=units))  # noqa: S314 - our own text


def test_every_layer_with_a_geometry_has_a_style() -> None:
    assert [name for name in PLACED if name not in STYLES] == []


@pytest.mark.parametrize("name", PLACED)
def test_a_style_keeps_to_the_standard(name: str) -> None:
    root = parsed(name)
    assert root.get("version") == "1.0.0"
    assert list(faults(root)) == []
    assert root.findtext(f"{SLD}NamedLayer/{SLD}Name") == name


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("<Size>", "<Size>big "),
        ("<WellKnownName>circle", "<WellKnownName>blob"),
        ('name="fill"', 'name="color"'),
        ("<IsDefault>1</IsDefault>", ""),
        ("ogc:Literal", "ogc:Value"),
    ],
)
def test_the_check_of_the_standard_finds_what_departs_from_it(old: str, new: str) -> None:
    text = style_text("pits", units="si")
    assert old in text
    if not new:  # out of order rather than missing
        new, text = "", text.replace("<UserStyle>", f"<UserStyle>{old}")
        text = text[::-1].replace(old[::-1], "", 1)[::-1]
    else:
        text = text.replace(old, new)
    assert list(faults(ElementTree.fromstring(text)))  # noqa: S314 - our own text


@pytest.mark.parametrize("units", ["si", "us"])
@pytest.mark.parametrize("name", PLACED)
def test_every_field_of_a_rule_is_in_its_layer(name: str, units: str) -> None:
    columns = {field.column(units) for field in OUTPUTS[name].fields}
    used = {element.text for element in parsed(name, units).iter(f"{OGC}PropertyName")}
    assert used <= columns


@pytest.mark.parametrize("name", PLACED)
def test_every_value_of_a_rule_is_one_the_field_may_hold(name: str) -> None:
    for test in (test for rule in STYLES[name] for test in rule.tests):
        field = OUTPUTS[name].field(test.field)
        if field.dtype == "text":
            assert not field.values or test.value in field.values
        else:
            assert isinstance(test.value, bool) == (field.dtype == "flag")


@pytest.mark.parametrize("name", PLACED)
def test_every_word_a_layer_is_styled_by_has_its_rule(name: str) -> None:
    fields = {test.field for rule in STYLES[name] for test in rule.tests if test.comparison == "="}
    for field in map(OUTPUTS[name].field, fields):
        due = {True, False} if field.dtype == "flag" else set(field.values)
        used = {t.value for rule in STYLES[name] for t in rule.tests if t.field == field.name}
        assert due <= used, field.name


def test_a_value_with_a_unit_is_that_of_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    deep = Rule("deep", (Mark("circle", 5, None, "#000000"),), (Comparison("depth", ">=", 3.048),))
    monkeypatch.setitem(STYLES, "pits", (deep, Rule("depth", (Label("depth"),))))
    written = {}
    for units in ("si", "us"):
        root = parsed("pits", units)
        assert list(faults(root)) == []
        names = {element.text for element in root.iter(f"{OGC}PropertyName")}
        written[units] = (names, root.find(f".//{OGC}Literal").text)  # type: ignore[union-attr]
    assert written == {"si": ({"depth_m"}, "3.048"), "us": ({"depth_ft"}, "10")}


def grey(colour: str | None) -> float:
    """How bright a colour prints in grey; nothing prints as paper."""
    if colour is None:
        return 1.0
    r, g, b = (int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return 0.299 * r + 0.587 * g + 0.114 * b


def look(symbol: Mark | Line | Area | Label) -> tuple[tuple[object, ...], list[float]]:
    """Return what a print in grey keeps of a symbol: its form, and how bright its parts are."""
    if isinstance(symbol, Mark):
        return (symbol.shape, symbol.size), [grey(symbol.fill), grey(symbol.stroke)]
    if isinstance(symbol, Line):
        return (symbol.width, symbol.dashes), [grey(symbol.stroke)]
    if isinstance(symbol, Area):
        form, tones = look(symbol.outline)
        fill = 1.0 - symbol.opacity * (1.0 - grey(symbol.fill))
        return (*form, symbol.pattern is not None), [*tones, fill]
    return (symbol.along,), []


def alike(a: Rule, b: Rule) -> bool:
    """Say whether two rules look the same in grey."""
    (form_a, tones_a), (form_b, tones_b) = look(a.symbols[0]), look(b.symbols[0])
    far = any(abs(x - y) > 0.15 for x, y in zip(tones_a, tones_b, strict=False))
    return type(a.symbols[0]) is type(b.symbols[0]) and form_a == form_b and not far


@pytest.mark.parametrize("name", sorted(STYLES))
def test_rules_of_a_layer_are_told_apart_in_a_grey_print(name: str) -> None:
    same = [(a.title, b.title) for a, b in itertools.combinations(STYLES[name], 2) if alike(a, b)]
    assert same == []


def test_styles_are_written_beside_the_file_for_its_layers(tmp_path: Path) -> None:
    plan = tmp_path / "plan.gpkg"
    folder = style_folder(plan)
    assert folder == tmp_path / "plan_styles"
    with styles_beside(plan, ("pits", "pulls", "quantities"), units="us", wanted=False):
        pass
    assert not folder.exists()
    with styles_beside(plan, ("pits", "pulls", "quantities"), units="us"):
        assert not (folder / "pits.sld").exists()  # not before the file they are of
    assert sorted(p.name for p in folder.iterdir()) == ["pits.sld", "pulls.sld"]
    assert (folder / "pits.sld").read_text(encoding="utf-8") == style_text("pits", units="us")


def refuse(called: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the system refuse what is done to the second style."""
    real = getattr(Path, called)

    def refusing(path: Path, *args: Any, **options: Any) -> Any:
        if "pulls" in path.name:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(path, *args, **options)

    monkeypatch.setattr(Path, called, refusing)


@pytest.mark.parametrize("there", [False, True])
def test_where_a_style_cannot_be_written_neither_the_file_nor_any_style_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: bool
) -> None:
    plan = tmp_path / "plan.gpkg"
    before = []
    if there:
        style_folder(plan).mkdir()
        (style_folder(plan) / "pits.sld").write_text("old")
        before = ["pits.sld"]
    refuse("write_text", monkeypatch)
    written = []
    with (
        pytest.raises(OutputError, match=r"No space left.*nothing existing was touched"),
        styles_beside(plan, ("pits", "pulls"), units="si"),
    ):
        written.append(plan)
    assert written == []
    assert style_folder(plan).exists() == there
    assert [p.name for p in style_folder(plan).glob("*")] == before
    if there:
        assert (style_folder(plan) / "pits.sld").read_text() == "old"


def test_where_the_file_cannot_be_written_its_styles_are_not(tmp_path: Path) -> None:
    plan = tmp_path / "plan.gpkg"
    refusal = OutputError("writing failed")
    with pytest.raises(OutputError), styles_beside(plan, ("pits", "pulls"), units="si"):
        raise refusal
    assert list(tmp_path.iterdir()) == []


def test_styles_that_fail_when_the_file_is_in_its_place_are_told_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = tmp_path / "plan.gpkg"
    refuse("replace", monkeypatch)
    with pytest.raises(OutputError) as told, styles_beside(plan, ("pits", "pulls"), units="si"):
        pass
    assert "plan.gpkg: is written, but not all of its styles" in str(told.value)
    assert "touched" not in str(told.value)
    assert [p.name for p in style_folder(plan).iterdir()] == ["pits.sld"]


def test_a_style_that_exists_is_kept(tmp_path: Path) -> None:
    plan = tmp_path / "plan.gpkg"
    own = style_folder(plan) / "pits.sld"
    own.parent.mkdir()
    own.write_text("my own")
    check_styles(plan, ["pulls"], overwrite=False)
    with pytest.raises(OutputError, match="overwrite"):
        check_styles(plan, ["pits"], overwrite=False)
    check_styles(plan, ["pits"], overwrite=True)
    other = tmp_path / "other.gpkg"
    style_folder(other).write_text("a file")
    with pytest.raises(OutputError, match="move it, or choose another name"):
        check_styles(other, ["pits"], overwrite=True)


def test_a_plan_is_not_begun_if_its_styles_may_not_be_replaced(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "plan_styles" / "pits.sld"
    own.parent.mkdir()
    own.write_text("my own")
    with pytest.raises(SystemExit) as left:
        main(["plan", "--mains", str(tmp_path / "no.gpkg"), "-o", str(tmp_path / "plan.gpkg")])
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert "pits.sld: exists already, perhaps from an earlier plan; choose another name" in said
    assert "give --overwrite, or --set output.styles=false to write none and keep it" in said
    assert own.read_text() == "my own"
    assert not (tmp_path / "plan.gpkg").exists()


def test_a_plan_without_styles_keeps_those_that_are_there(tmp_path: Path) -> None:
    own = tmp_path / "plan_styles" / "pits.sld"
    own.parent.mkdir()
    own.write_text("my own")
    line = shapely.LineString([(5e5, 5e6), (5e5 + 200, 5e6)])
    given = {"main_id": ["A"], "diameter_mm": [400.0], "cover_m": [1.4]}
    mains = gpd.GeoDataFrame(given, geometry=[line], crs="EPSG:32633")
    plan = tmp_path / "plan.gpkg"
    geotools.plan(mains=mains, output=plan, settings={"output.styles": False})
    assert plan.exists()
    assert [path.read_text() for path in own.parent.iterdir()] == ["my own"]


def test_only_where_the_brief_is_asked_is_its_setting_a_way_out(tmp_path: Path) -> None:
    plan = tmp_path / "plan.gpkg"
    own = style_folder(plan) / "joints.sld"
    own.parent.mkdir()
    own.write_text("my own")
    for by_brief in (True, False):
        with pytest.raises(OutputError, match="give --overwrite") as told:
            check_styles(plan, ["joints"], overwrite=False, by_brief=by_brief)
        assert ("output.styles=false" in str(told.value)) == by_brief


def test_comparisons_are_those_of_the_standard() -> None:
    used = {t.comparison for rules in STYLES.values() for rule in rules for t in rule.tests}
    assert used <= set(sld._COMPARISONS)
    assert set(sld._COMPARISONS.values()) <= set(MODELS)
