"""Lettering of sheets: letters that come from a second font, and those that no font has."""

from __future__ import annotations

import sys
from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import pypdf
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.t2CharStringPen import T2CharStringPen
from fontTools.pens.ttGlyphPen import TTGlyphPen

import geotools
from geotools.deliver.joints.records import RECORD_TABLES
from geotools.deliver.sheets.lettering import MISSING, clean, lettered, pieces_of, text_width
from geotools.deliver.sheets.pen import cut, wrap
from geotools.tool import ToolError

NAME = "環状道路"


def a_box(pen: Any) -> Any:
    pen.moveTo((100, 0))
    for corner in ((100, 800), (900, 800), (900, 0)):
        pen.lineTo(corner)
    pen.closePath()
    return pen


def write_font(path: Path, letters: str, *, truetype: bool = True) -> Path:
    """Write a font with boxes for letters, each as wide as it is high."""
    names = [".notdef", *(f"u{ord(c):04X}" for c in letters)]
    font = FontBuilder(1000, isTTF=truetype)
    font.setupGlyphOrder(names)
    font.setupCharacterMap({ord(c): f"u{ord(c):04X}" for c in letters})
    if truetype:
        font.setupGlyf({name: a_box(TTGlyphPen(None)).glyph() for name in names})
    else:
        shape = a_box(T2CharStringPen(1000, None)).getCharString()
        font.setupCFF("Boxes", {}, dict.fromkeys(names, shape), {})
    font.setupHorizontalMetrics(dict.fromkeys(names, (1000, 100)))
    font.setupHorizontalHeader(ascent=800, descent=-200)
    font.setupNameTable({"familyName": "Boxes", "styleName": "Regular", "psName": "Boxes-Regular"})
    font.setupOS2(sTypoAscender=800, sTypoDescender=-200)
    font.setupPost()
    font.save(path)
    return path


@pytest.fixture(scope="module")
def boxes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a font that has all letters of a name but the last."""
    return write_font(tmp_path_factory.mktemp("font") / "boxes.ttf", NAME[:-1])


@pytest.fixture(scope="module")
def named(write_sheet_plan: Callable[..., Path]) -> Path:
    def renamed(tables: dict[str, Any]) -> None:
        tables["context"]["name"] = tables["context"]["name"].replace("Tarnhollow Way", NAME)

    return write_sheet_plan(edit=renamed)


def test_letters_the_first_font_lacks_are_as_wide_as_those_of_the_second(boxes: Path) -> None:
    assert clean("Way 環") == f"Way {MISSING}"
    without = text_width("Way 環", 3.0)
    with lettered(boxes) as lacking:
        assert clean("Way 環") == "Way 環"
        assert text_width("環状", 3.0) == pytest.approx(6.0)
        way = text_width("Way a", 3.0) - text_width("a", 3.0)
        assert text_width("Way 環", 3.0) == pytest.approx(way + 3.0)
        pieces = pieces_of("Way 環状 1")
        assert [letters for _, letters in pieces] == ["Way ", "環状", " 1"]
        assert pieces[0][0] == pieces[2][0] != pieces[1][0]
        assert wrap("環状環状", 6.1, 3.0) == ["環状", "環状"]
        dots = text_width("...", 3.0)
        assert cut("環状環状", 6.1 + dots, 3.0) == "環状..."
        assert not lacking
        assert clean(NAME) == NAME[:-1] + MISSING
        assert lacking == {NAME[-1]}
    assert text_width("Way 環", 3.0) == without


def test_names_are_whole_on_sheets_with_a_font_that_has_their_letters(
    plain_plan: Path, plain: Path, named: Path, boxes: Path, draw: Callable[..., Path]
) -> None:
    whole = write_font(boxes.parent / "whole.ttf", NAME)
    with lettered(boxes):  # which has the same name
        target = draw(named, font=whole)
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(target).pages)
    assert NAME in text
    assert MISSING not in text
    assert draw(named, font=whole).read_bytes() == target.read_bytes()
    assert draw(plain_plan, font=whole).read_bytes() == plain.read_bytes()


def test_letters_that_no_font_has_are_counted_and_the_option_is_named(
    plain_plan: Path, named: Path, boxes: Path, tmp_path: Path
) -> None:
    lacking = []
    for number, (plan, font) in enumerate(((plain_plan, None), (named, None), (named, boxes))):
        told = geotools.sheets(plan, output=tmp_path / f"{number}.pdf", font=font)
        lacking.append(told.summary["letters_lacking"])
        assert ("--font FILE takes them from a" in told.text) == bool(lacking[-1])
    assert lacking == [0, 4, 1]
    assert "lacking   1 different letters" in told.text


def test_a_font_that_cannot_be_put_into_a_pdf_is_refused_with_the_reason(
    plain_plan: Path, tmp_path: Path
) -> None:
    outlines = write_font(tmp_path / "boxes.otf", NAME, truetype=False)
    (tmp_path / "text.ttf").write_text("no font")
    cases = {
        outlines: "font: boxes.otf has PostScript outlines",
        tmp_path / "text.ttf": "font: text.ttf is no TrueType font or collection",
        tmp_path / "none.ttf": "font: none.ttf is no file that is there",
    }
    for font, fault in cases.items():
        with pytest.raises(ToolError, match=fault):
            geotools.sheets(plain_plan, output=tmp_path / "sheets.pdf", font=font)
    assert not (tmp_path / "sheets.pdf").exists()


def drawn(text: str) -> str:
    return "".join(letters for _, letters in pieces_of(text))


def test_hebrew_and_arabic_are_drawn_from_right_to_left_and_arabic_joined() -> None:
    assert drawn("רחוב 12") == "12 בוחר"
    assert drawn("gate מגוף9 (א)") == "gate (א) 9ףוגמ"
    assert drawn("gate מגוף9 (א), open") == "gate (א) 9ףוגמ, open"
    assert drawn("רחוב (abc)") == "(abc) בוחר"
    assert drawn("a (רחוב b) c") == "a (בוחר b) c"
    assert drawn("רחוב (9)") == "(9) בוחר"
    assert drawn("شارع ٢٣") == "٢٣ \ufec9\ufead\ufe8e\ufeb7"
    assert drawn("Way 12, Ελλάδα") == "Way 12, Ελλάδα"


def test_a_line_of_a_sentence_that_breaks_before_a_name_goes_on_from_left_to_right() -> None:
    line = "\u05d1\u05df \u05d2\u05d5\u05e8\u05d9\u05d5\u05df before the next crossing"
    assert drawn(line) == f"{line[:9][::-1]} before the next crossing"


def test_lines_are_broken_as_they_are_read_and_as_wide_as_they_are_drawn() -> None:
    name = "شارع الملك فهد"
    assert text_width(name, 3.0) == text_width(drawn(name), 3.0)
    lines = wrap(name, text_width("شارع الملك", 3.0) + 0.01, 3.0)
    assert lines == ["شارع الملك", "فهد"]
    assert cut(name, text_width("شارع...", 3.0) + 0.01, 3.0) == "شارع..."


def test_no_letter_is_lost_by_joining(tmp_path: Path) -> None:
    """Of Arabic, Persian and Urdu, in words of three letters, and what is joined of several."""
    letters = "ابتثجحخدذرزسشصضطظعغفقكلمنهويىةآأإؤئءپچژگکیٹڈڑںھ"
    words = [a + b + a for a, b in product(letters, repeat=2)]
    assert MISSING not in clean(drawn(" ".join([*words, "الله", "لا لأ لإ لآ"])))
    with lettered(write_font(tmp_path / "urdu.ttf", "ے")) as lacking:
        assert drawn(clean("جے")) == "\u06d2\ufe9f"
    assert not lacking


def test_names_from_right_to_left_are_found_in_the_file(draw: Callable[..., Path]) -> None:
    names = ("רחוב הרצל", "شارع الملك فهد")
    target = draw(field=(f"client={names[0]}", f"project={names[1]}"), runs=("R2",))
    text = "\n".join(page.extract_text() for page in pypdf.PdfReader(target).pages)
    assert all(name in text for name in names)


def test_sheets_without_such_letters_are_the_same_and_need_nothing_for_them(
    plain: Path, draw: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("bidi", "bidi.algorithm", "arabic_reshaper"):
        monkeypatch.setitem(sys.modules, module, None)
    assert draw().read_bytes() == plain.read_bytes()
    with pytest.raises(ImportError):
        drawn("דרך אחרת")


@pytest.fixture
def checked(write_plan: Callable[..., Path], tmp_path: Path) -> Callable[..., Any]:
    """Check records of a joint that is in no plan, and whose name the first font lacks."""
    plan = write_plan([{"pull_id": "A", "start": 10.0, "end": 40.0, "length": 30.0}])
    records = tmp_path / "records.csv"
    fields = RECORD_TABLES["records"].fields
    columns = [next(iter(field.spellings())) for field in fields if field.required]
    row = [NAME if name == "joint_id" else "" for name in columns]
    records.write_text(f"{','.join(columns)}\n{','.join(row)}\n", encoding="utf-8")

    def run(name: str, font: Path | None = None) -> Any:
        return geotools.joints_check(plan, records, report=tmp_path / name, font=font)

    return run


def test_the_report_on_joints_takes_letters_from_a_font_as_sheets_do(
    checked: Callable[..., Any], boxes: Path, tmp_path: Path
) -> None:
    """A letter that no font has is a mark on paper, is counted, and the option is named."""
    whole = write_font(tmp_path / "whole.ttf", NAME)
    drawn = {}
    for number, font in enumerate((None, boxes, whole)):
        told = checked(f"{number}.pdf", font)
        drawn[font] = told.summary["letters_lacking"]
        assert ("--font FILE takes them from a" in told.text) == bool(drawn[font])
    assert drawn == {None: 4, boxes: 1, whole: 0}
    texts = [words_in(tmp_path / f"{number}.pdf") for number in range(3)]
    assert [MISSING in text for text in texts] == [True, True, False]
    assert NAME in texts[2]
    fonts = [fonts_in(tmp_path / f"{number}.pdf") for number in range(3)]
    assert [any("Boxes" in font for font in each) for each in fonts] == [False, True, True]
    again = checked("again.pdf", whole)
    assert (tmp_path / "again.pdf").read_bytes() == (tmp_path / "2.pdf").read_bytes()
    assert again.summary["letters_lacking"] == 0


def words_in(path: Path) -> str:
    return " ".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


def fonts_in(path: Path) -> list[str]:
    page = pypdf.PdfReader(path).pages[0]["/Resources"]["/Font"]
    return [str(font.get_object().get("/BaseFont")) for font in page.values()]


def test_a_font_of_no_use_to_the_report_on_joints_is_refused_and_nothing_written(
    checked: Callable[..., Any], tmp_path: Path
) -> None:
    (tmp_path / "text.ttf").write_text("no font")
    with pytest.raises(ToolError, match=r"^joints check: font: text.ttf is no TrueType font"):
        checked("check.pdf", tmp_path / "text.ttf")
    assert not (tmp_path / "check.pdf").exists()
    with pytest.raises(ToolError, match="font: give the report it is for as well"):
        geotools.joints_check(tmp_path / "p.gpkg", tmp_path / "r.csv", font=tmp_path / "text.ttf")
