"""Letters: text of files that is not UTF-8, by the encoding of the brief."""

from __future__ import annotations

import re
from pathlib import Path

import geopandas
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely

from geotools.brief import Brief
from geotools.intake.cut import Cut, own_name, utf8_names
from geotools.intake.place import locate
from geotools.intake.read import read_layers
from geotools.intake.sources import open_source
from geotools.intake.window import MAINS_BEYOND, Window

TABLE = ["main_id", "material", "status", "diameter"]
CRS = "EPSG:32633"
ENCODINGS = [
    ("ISO-8859-1", "matériau", "béton âme tôle", "abandonné"),
    ("windows-1252", "matériau", "béton “âme” tôle €", "abandonné"),  # signs Latin-1 has not
    ("cp1250", "materiál", "šedá litina", "zrušené"),
    ("windows-1251", "материал", "чугун", "демонтирован"),
    ("mac_roman", "matériau", "béton", "abandonné"),
    ("gbk", "材质", "灰口铸铁", "在用"),
    ("shift_jis", "管種", "鋳鉄", "使用中"),
]


def csv(path: Path, head: str, words: tuple[str, str], encoding: str) -> Path:
    """Write four mains, the last of another status."""
    rows = [f"Ä{k};{words[0]};{words[1] if k == 3 else 'live'};300;{line(k)}" for k in range(4)]
    text = "\n".join([f"id;{head};status;diameter_mm;WKT", *rows]) + "\n"
    path.write_bytes(text.replace("Ä", "M").encode(encoding))
    return path


def line(k: int) -> str:
    return f"LINESTRING ({500_000 + 200 * k} 5200000, {500_100 + 200 * k} 5200000)"


def fields(head: str) -> dict[str, str]:
    return {"main_id": "id", "material": head}


def mains(layers) -> pd.DataFrame:
    return layers.mains.table[TABLE].sort_values("main_id", ignore_index=True)


@pytest.mark.parametrize(("encoding", "head", "material", "status"), ENCODINGS)
@pytest.mark.parametrize("named", [True, False])
def test_a_table_in_the_encoding_of_the_brief_is_read_as_the_same_in_utf_8(
    encoding, head, material, status, named, tmp_path, read_file, found
):
    """Also where names of columns are not UTF-8."""
    head = head if named else "mat"
    words = (material, status)
    told = {"crs": CRS, "fields": fields(head)}
    due = read_file(csv(tmp_path / "u.csv", head, words, "utf-8"), **told)
    layers = read_file(csv(tmp_path / "m.csv", head, words, encoding), encoding=encoding, **told)
    pd.testing.assert_frame_equal(mains(layers), mains(due))
    assert layers.columns.equals(due.columns)
    assert found(layers, "reader-message").empty
    (row,) = found(layers, "encoding-of-brief").itertuples()
    assert (row.severity, row.layer) == ("info", "mains")
    assert f"text was read as {encoding}" in row.text
    assert found(due, "encoding-of-brief").empty


def test_a_name_of_a_column_that_is_not_utf_8_is_refused_with_what_to_state(
    tmp_path, read_file, fault
):
    path = csv(tmp_path / "m.csv", "matériau", ("acier", "live"), "ISO-8859-1")
    text = fault(read_file, path, crs=CRS, fields=fields("matériau"))
    assert "has a column whose name is not UTF-8 text ('matériau', if it is Windows-1252)" in text
    assert "under [inputs.mains]" in text
    assert 'encoding = "Windows-1252"' in text
    assert "damaged" not in text
    text = fault(read_file, path, crs=CRS, fields=fields("mat"))
    assert 'how its letters are written, such as encoding = "Windows-1252"' in text
    text = fault(read_file, path, crs=CRS, fields=fields("matériau"), encoding="ascii")
    assert "has a column whose name is not ascii, as the brief says" in text


def test_values_that_are_not_utf_8_are_told_with_what_to_state(tmp_path, read_file, found):
    path = csv(tmp_path / "m.csv", "mat", ("béton", "live"), "ISO-8859-1")
    told = {"crs": CRS, "fields": fields("mat")}
    (text,) = found(read_file(path, **told), "reader-message")["text"]
    assert "column 'mat' holds text that is neither UTF-8 nor" in text
    assert 'under [inputs.mains], how its letters are written, such as encoding = "Win' in text
    (text,) = found(read_file(path, encoding="ascii", **told), "reader-message")["text"]
    assert "column 'mat' holds letters that are not ascii, as the brief says" in text


@pytest.mark.parametrize("encoding", ["ISO-8859-1", "cp1250", "utf-8", None])
def test_a_shapefile_that_does_not_say_its_encoding_is_read_in_the_briefs(
    encoding, tmp_path, network, read_file, found
):
    """One that is UTF-8 needs none."""
    path = tmp_path / "m.shp"
    frame = network(id=["Ä1", "Ö1"], matériau=["béton", "acier"], main_id=None, diameter_mm=None)
    frame.assign(dia=[300.0, 400.0]).to_file(path, encoding=encoding or "utf-8")
    path.with_suffix(".cpg").unlink()
    entry = {"fields": fields("matériau") | {"diameter_mm": "dia"}}
    layers = read_file(path, **entry, **({"encoding": encoding} if encoding else {}))
    table = layers.mains.table.sort_values("main_id")
    assert table[["main_id", "material"]].to_numpy().tolist() == [["Ä1", "béton"], ["Ö1", "acier"]]
    assert table["diameter"].tolist() == [0.3, 0.4]
    assert found(layers, "reader-message").empty
    assert len(found(layers, "encoding-of-brief")) == (encoding is not None)


def test_what_is_utf_8_or_says_how_it_is_written_is_read_so_whatever_the_brief_says(
    tmp_path, network, read_file, found
):
    frame = network(main_id=["Ä1", "Ö1"], material=["béton", "acier"])
    frame.to_file(tmp_path / "m.gpkg")
    small = frame.rename(columns={"diameter_mm": "dia"})
    small.to_file(tmp_path / "m.tab", driver="MapInfo File", ENCODING="CP1252")
    assert b"\xc4" in (tmp_path / "m.dat").read_bytes()
    frame.to_parquet(tmp_path / "m.parquet")
    for name in ("m.gpkg", "m.tab", "m.parquet"):
        entry = {"fields": {"diameter_mm": "dia"}} if name == "m.tab" else {}
        layers = read_file(tmp_path / name, encoding="windows-1251", crs=CRS, **entry)
        assert sorted(layers.mains.table["material"]) == ["acier", "béton"]
        (row,) = found(layers, "encoding-not-used").itertuples()
        assert row.severity == "info"
        assert "the brief says windows-1251, in which nothing was read" in row.text


def in_1252(path: Path, column: str, *, as_words: bool) -> Path:
    """Store a text column of a GeoParquet file in Windows-1252, as words of a list or by itself."""
    table = pq.read_table(path)
    stored = [text.encode("cp1252") for text in table.column(column).to_pylist()]
    text = pa.array(stored, pa.binary()).view(pa.string())
    if as_words:
        text = pa.DictionaryArray.from_arrays(pa.array(range(len(text)), pa.int32()), text)
    pq.write_table(table.set_column(table.column_names.index(column), column, text), path)
    return path


@pytest.mark.parametrize("as_words", [False, True])
@pytest.mark.parametrize("column", ["main_id", "material"])
def test_text_in_parquet_that_is_not_utf_8_is_read_in_the_encoding_of_the_brief(
    column, as_words, tmp_path, network, read_file, found
):
    frame = network(main_id=["Ä1", "Ö1"], material=["béton", "gelé"])
    frame.to_parquet(tmp_path / "m.parquet", write_covering_bbox=True)
    path = in_1252(tmp_path / "m.parquet", column, as_words=as_words)
    layers = read_file(path)
    lost = layers.mains.table[column].tolist()
    assert all("\N{REPLACEMENT CHARACTER}" in text for text in lost)
    (told,) = found(layers, "reader-message")["text"]
    assert f"column {column!r} holds text that is neither UTF-8" in told
    layers = read_file(path, encoding="windows-1252")
    assert sorted(layers.mains.table["main_id"]) == ["Ä1", "Ö1"]
    assert sorted(layers.mains.table["material"]) == ["béton", "gelé"]
    assert found(layers, "reader-message").empty
    assert len(found(layers, "encoding-of-brief")) == 1


def test_a_window_of_parquet_is_read_in_the_encoding_of_the_brief(tmp_path):
    lines = [shapely.from_wkt(line(5 * k)) for k in range(3)]
    columns = {"main_id": ["Ä", "Ö", "Ü"], "diameter_mm": 300.0, "notes": ["1951", "1960", "é"]}
    frame = geopandas.GeoDataFrame(columns, geometry=lines, crs=CRS)
    frame.to_parquet(tmp_path / "m.parquet", write_covering_bbox=True)
    path = in_1252(tmp_path / "m.parquet", "main_id", as_words=False)
    entry = {"source": str(path), "encoding": "windows-1252"}
    brief = Brief.model_validate({"inputs": {"mains": entry}})
    whole = read_layers(brief)
    window = Window((501_990.0, 5_199_900.0, 502_010.0, 5_200_100.0), whole.working_crs)
    part = read_layers(brief, window=window.wider(-MAINS_BEYOND))
    assert part.mains.table["main_id"].tolist() == ["Ü"]


def test_text_in_json_that_is_not_utf_8_and_its_extent_are_read_in_the_encoding_of_the_brief(
    tmp_path, network, read_file
):
    path = tmp_path / "m.geojson"
    frame = network(matériau=["béton", "acier"]).to_crs(4326)
    path.write_bytes(frame.to_json(ensure_ascii=False, drop_id=True).encode("ISO-8859-1"))
    path.write_text(re.sub(r'"crs": \{.*?\}\},? ?', "", path.read_text("latin1")), "latin1")
    entry = {"fields": {"material": "matériau"}, "encoding": "latin1", "crs": CRS}
    layers = read_file(path, **entry)  # degrees, though the brief says metres
    assert sorted(layers.mains.table["material"]) == ["acier", "béton"]
    assert layers.output_crs.to_epsg() == 4326


def test_a_window_and_a_column_alone_are_read_in_the_encoding_of_the_brief(tmp_path, found):
    path = csv(tmp_path / "m.csv", "matériau", ("béton", "gelé"), "ISO-8859-1")
    entry = {"source": str(path), "encoding": "latin1", "crs": CRS, "fields": fields("matériau")}
    brief = Brief.model_validate({"inputs": {"mains": entry}})
    whole = read_layers(brief)
    window = Window((500_000.0, 5_199_900.0, 500_010.0, 5_200_100.0), whole.working_crs)
    part = read_layers(brief, window=window)
    assert set(part.mains.table["material"]) == {"béton"}
    place = locate("mains", str(path), allow_remote=False)
    source = open_source("mains", place, allow_remote=False, encoding="latin1")
    assert set(source.column("status")) == {"live", "gelé"}
    assert set(source.column("matériau")) == {"béton"}


@pytest.mark.parametrize(
    ("encoding", "head"),
    [
        ("Windows-1250", "Średnica rury"),
        ("Windows-1251", "материал"),
        ("Windows-1253", "υλικό"),
        ("Windows-1254", "boru cinsi ş"),
        ("Windows-1257", "vamzdžio rūšis"),
    ],
)
def test_the_encoding_to_state_is_that_in_which_the_names_mapped_are_found(
    encoding, head, tmp_path, read_file, fault
):
    path = csv(tmp_path / "m.csv", head, ("steel", "live"), encoding)
    text = fault(read_file, path, crs=CRS, fields=fields(head))
    assert f"({head!r}, if it is {encoding})" in text
    assert f'how its letters are written: encoding = "{encoding}", in which names mapped' in text
    assert read_file(path, crs=CRS, fields=fields(head), encoding=encoding)
    text = fault(read_file, path, crs=CRS, fields=fields(head), encoding="ISO-8859-1")
    assert f"and they are when read as {encoding}: state that there" in text


def test_a_name_mapped_that_is_nowhere_says_nothing_of_the_encoding(tmp_path, read_file, fault):
    path = csv(tmp_path / "m.csv", "matériau", ("acier", "live"), "ISO-8859-1")
    mapped = {"main_id": "métal", "material": "matériau"}  # of which the other is as it should be
    text = fault(read_file, path, crs=CRS, fields=mapped, encoding="ISO-8859-1")
    assert "is mapped to column 'métal', which is not there" in text
    assert "when read as" not in text


@pytest.mark.parametrize(
    ("stated", "encoding", "word"),
    [
        ("ISO-8859-2", "Windows-1250", "żeliwo śląskie"),
        ("latin1", "Windows-1252", "béton œuvré"),
        ("ISO-8859-9", "Windows-1254", "beton “A” ş"),
        ("ISO-8859-13", "Windows-1257", "„ketus“ ž"),
    ],
)
def test_text_with_signs_that_stand_for_no_letter_is_told_to_be_in_a_windows_encoding(
    stated, encoding, word, tmp_path, read_file, found
):
    path = csv(tmp_path / "m.csv", "mat", (word, "live"), encoding)
    told = {"crs": CRS, "fields": fields("mat")}
    (row,) = found(read_file(path, encoding=stated, **told), "encoding-doubtful").itertuples()
    assert (row.severity, row.layer) == ("warning", "mains")
    assert f"column 'mat' holds signs that stand for no letter when read as {stated}" in row.text
    assert f"the file is likely {encoding}, in which that is {word!r}" in row.text
    assert found(read_file(path, encoding=encoding, **told), "encoding-doubtful").empty


def shapefile(path, frame, encoding="UTF-8", *, says=True) -> None:
    """Write a Shapefile with diameters; names of columns are cut as GDAL does, without its word."""
    frame = frame.assign(dia=[300.0, 400.0])
    names = [name for name in frame.columns if not name.isascii()]
    plain = {name: f"COLUMN_{k}" for k, name in enumerate(names)}
    frame.rename(columns=plain).to_file(path, encoding=encoding)
    table = path.with_suffix(".dbf")
    stored = table.read_bytes()
    for name, stand_in in plain.items():
        own = name.encode(encoding)[:10].ljust(10, b"\0")
        stored = stored.replace(stand_in.encode().ljust(10, b"\0"), own)
    table.write_bytes(stored)
    if not says:
        path.with_suffix(".cpg").unlink()


JAPANESE = {
    "管路番号": ["甲1", "乙1"],
    "管種": ["鋳鉄", "DI"],
    "状態区分コード": ["使用中", "休止"],
}


@pytest.mark.parametrize("stated", [None, "UTF-8", "Windows-1252"])
@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("says", [True, False])
def test_a_shapefile_whose_names_were_cut_within_a_letter_is_read(
    stated, whole, says, tmp_path, network, read_file, found
):
    path = tmp_path / "m.shp"
    shapefile(path, network(**JAPANESE, main_id=None, diameter_mm=None), says=says)
    status = "状態区分コード" if whole else "状態区"
    named = {"main_id": "管路番号" if whole else "管路番", "status": status, "material": "管種"}
    entry = {"encoding": stated} if stated else {}
    layers = read_file(path, fields=named | {"diameter_mm": "dia"}, **entry)
    table = layers.mains.table.sort_values("diameter")
    assert table[["main_id", "material", "status"]].to_numpy().tolist() == [
        ["甲1", "鋳鉄", "使用中"],
        ["乙1", "DI", "休止"],
    ]
    assert table["diameter"].tolist() == [0.3, 0.4]
    cut = found(layers, "column-name-cut")["text"].tolist()
    assert len(cut) == 2 * whole
    assert (
        not whole or "column '管路番' was taken for '管路番号', to which main_id is map" in cut[0]
    )
    assert len(found(layers, "encoding-not-used")) == (stated == "Windows-1252")
    assert len(found(layers, "encoding-of-brief")) == (stated == "UTF-8")
    assert found(layers, "reader-message").empty


def test_an_accent_at_the_end_of_ten_letters_is_no_half_letter_unless_utf_8_is_told(
    tmp_path, network, read_file, fault
):
    """One byte is a whole letter in Windows-1252 and the beginning of one in UTF-8."""
    path = tmp_path / "m.shp"
    frame = network(SPECIALITÉ=["a", "b"], main_id=None, diameter_mm=None)
    shapefile(path, frame, "ISO-8859-1", says=False)
    entry = {"fields": {"main_id": "SPECIALITÉ", "diameter_mm": "dia"}}
    assert "name is not UTF-8 text ('SPECIALITÉ', if it is" in fault(read_file, path, **entry)
    layers = read_file(path, encoding="Windows-1252", **entry)
    assert sorted(layers.mains.table["main_id"]) == ["a", "b"]
    shapefile(path, frame)
    assert sorted(read_file(path, **entry).mains.table["main_id"]) == ["a", "b"]


def test_names_that_are_alike_once_they_are_cut_are_told_apart():
    """GDAL puts a number in the place of two bytes, whatever letter they are of."""
    whole = ["管路番号", "管路番木", "管路", "管路番号長"]
    stored = [name.encode()[:10] for name in whole[:3]] + ["管路番".encode()[:8] + b"_1"]
    names = utf8_names(stored, said=False)
    assert names == ["管路番_1", "管路番_2", "管路", "管路_1"]
    cut = Cut("utf-8", dict(zip(stored, names, strict=True)))
    assert [cut.of(name) for name in whole[:3]] == names[:3]
    assert utf8_names([b"SPECIALIT\xc9"], said=False) == []
    assert utf8_names(["管路番号".encode()[:9] + b"a\xe5"], said=True) == []
    assert own_name("A管路番号種".encode("shift_jis")[:10], "shift_jis") == "A管路番号"


def test_columns_that_differ_in_the_letter_that_was_cut_stay_two(tmp_path, network, read_file):
    """Of Shift_JIS half of it is left, of which the brief's whole name tells the column."""
    path = tmp_path / "m.shp"
    ids = {"id": ["A", "B"]}
    columns = {"1管理番号名": ["鋳鉄", "PVC"], "1管理番号順": ["DI", "鋼"]}
    shapefile(
        path, network(**ids, **columns, main_id=None, diameter_mm=None), "shift_jis", says=False
    )
    for name, words in columns.items():
        fields = {"main_id": "id", "material": name, "diameter_mm": "dia"}
        layers = read_file(path, fields=fields, encoding="shift_jis")
        table = layers.mains.table.sort_values("diameter")
        assert table["material"].tolist() == words


PAGES = [
    ("1255", 0, "cp1255", "חומר", ["פלדה", "ברזל"]),
    ("Windows-1255", 0, "cp1255", "חומר", ["פלדה", "ברזל"]),
    ("", 0x7D, "cp1255", "mat", ["פלדה", "ברזל"]),
    ("", 0x7E, "cp1256", "mat", ["حديد", "فولاذ"]),
    ("1258", 0, "cp1258", "NAME", ["gang", "thép đen"]),
    ("1256", 0, "cp1256", "المادة", ["حديد", "فولاذ"]),
    ("874", 0, "cp874", "วัสดุ", ["เหล็กหล่อ", "เหล็ก"]),
    ("932", 0, "cp932", "管種", ["ダクタイル鋳鉄管", "鋼"]),
    ("936", 0, "cp936", "管材", ["球墨铸铁", "钢"]),
    ("949", 0, "cp949", "관종", ["덕타일주철관", "강"]),
    ("950", 0, "cp950", "管材", ["球墨鑄鐵", "鋼"]),
    ("BIG5-HKSCS", 0, "big5hkscs", "管材", ["球墨鑄鐵", "鋼ê"]),
]


@pytest.mark.parametrize(("said", "number", "encoding", "head", "words"), PAGES)
def test_no_letter_is_lost_in_the_code_page_a_shapefile_says(
    said, number, encoding, head, words, tmp_path, network, read_file, found
):
    path = tmp_path / "m.shp"
    frame = network(**{head: words}, main_id=["a", "b"], diameter_mm=None)
    frame = frame.assign(dia=[300.0, 400.0]).rename(columns={head: "COLUMN"})
    frame["COLUMN"] = ["x" * 30, "y" * 30]
    frame.to_file(path, encoding="ISO-8859-1")
    stored = bytearray(path.with_suffix(".dbf").read_bytes())
    stored[29] = number
    for plain, word in zip(("x", "y"), words, strict=True):
        stored = stored.replace(plain.encode() * 30, word.encode(encoding).ljust(30))
    own = head.encode(encoding).ljust(10, b"\0")
    path.with_suffix(".dbf").write_bytes(stored.replace(b"COLUMN\0\0\0\0", own))
    path.with_suffix(".cpg").write_text(said) if said else path.with_suffix(".cpg").unlink()
    layers = read_file(path, fields={"diameter_mm": "dia", "material": head})
    assert layers.mains.table.sort_values("diameter")["material"].tolist() == words
    assert found(layers, "reader-message").empty
    assert found(layers, "encoding-of-brief").empty


def test_letters_that_are_not_of_the_code_page_the_file_says_are_told(
    tmp_path, network, read_file, found, fault
):
    path = tmp_path / "m.shp"
    frame = network(mat=["\xd9", "acier"], main_id=["a", "b"], diameter_mm=None)
    shapefile(path, frame, "ISO-8859-1")
    path.with_suffix(".cpg").write_text("1255")
    entry = {"fields": {"material": "mat", "diameter_mm": "dia"}}
    (text,) = found(read_file(path, **entry), "reader-message")["text"]
    assert "column 'mat' holds letters that are not CP1255, as the file says; they were" in text
    assert "under [inputs.mains]" in text
    path.with_suffix(".cpg").write_text("TCVN5712-1")
    assert "says that its text is TCVN5712-1, of which the last" in fault(read_file, path, **entry)


@pytest.mark.parametrize("encoding", ["CP1255", "CP1256"])
def test_a_mapinfo_file_that_loses_letters_of_hebrew_is_told(
    encoding, tmp_path, network, read_file, found
):
    words = {"CP1255": ["פלדה", "DI"], "CP1256": ["حديد", "DI"]}[encoding]
    frame = network(main_id=["a", "b"], material=words).rename(columns={"diameter_mm": "dia"})
    frame.to_file(tmp_path / "m.tab", driver="MapInfo File", ENCODING=encoding)
    layers = read_file(tmp_path / "m.tab", fields={"diameter_mm": "dia"})
    told = [text for text in found(layers, "reader-message")["text"] if "WindowsHebrew" in text]
    assert len(told) == (encoding == "CP1255")
    whole = set(words) == set(layers.mains.table["material"])
    assert whole or "export the layer as GeoPackage or Shapefile" in told[0]
