"""What belongs to a file is found also where names in other case are the same file."""

from __future__ import annotations

import hashlib
import unicodedata
from pathlib import Path

import pytest

from geotools.intake.beside import alike, named_as
from geotools.intake.digest import sha256, state_of
from geotools.intake.prj import Prj

ENDINGS = (".shp", ".shx", ".dbf", ".prj")


@pytest.fixture
def blind(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a folder find names in other case, as some systems do."""

    def exists(path: Path) -> bool:
        return any(alike(path.name, other.name) for other in path.parent.iterdir())

    monkeypatch.setattr(Path, "exists", exists)


def shapefile(folder: Path, stem: str, content: str = "x") -> Path:
    for ending in ENDINGS:
        (folder / f"{stem}{ending}").write_text(f"{content}{ending}", encoding="utf-8")
    return folder / f"{stem}.shp"


def test_names_in_other_case_belong_together_only_where_they_are_the_same_file() -> None:
    names = ["net.shp", "net.DBF", "net.shp.xml", "nets.shp", "net", "other.net.shp"]
    own = {"net.shp": "NET.shp", "net.DBF": "NET.DBF", "net.shp.xml": "NET.shp.xml"}
    assert named_as("NET", names, lambda name: True) == own
    assert named_as("NET", names, lambda name: False) == {}
    assert named_as("net", names, lambda name: False) == {name: name for name in own}
    both = ["net.shp", "NET.shp", "net.dbf"]  # of two Shapefiles
    assert named_as("NET", both, lambda name: name in both) == {"NET.shp": "NET.shp"}


def test_accents_put_together_otherwise_are_the_same_where_the_system_says_so() -> None:
    (name,) = apart = [unicodedata.normalize("NFD", "réseau.v2.shp")]
    assert named_as("RÉSEAU.v2", apart, lambda name: True) == {name: "RÉSEAU.v2.shp"}
    assert named_as("réseau.v2", apart, lambda name: False) == {}


def test_a_shapefile_named_in_other_case_has_its_own_hash_and_state(
    tmp_path: Path, blind: None
) -> None:
    path = shapefile(tmp_path, "net")
    other = path.with_name("NET.SHP")
    assert sha256(other) == sha256(path) != hashlib.sha256().hexdigest()
    before = state_of(other)
    assert before == state_of(path)
    assert len(before) == len(ENDINGS)
    path.with_suffix(".dbf").write_text("longer than it was", encoding="utf-8")
    assert state_of(other) != before


def test_two_shapefiles_whose_names_differ_in_case_are_hashed_apart(tmp_path: Path) -> None:
    one, other = shapefile(tmp_path, "net"), shapefile(tmp_path, "NET", "y")
    if one.read_bytes() != b"x.shp":
        pytest.skip("names in other case are the same file here")
    hashes = sha256(one), sha256(other)
    assert hashes[0] != hashes[1]
    one.with_suffix(".dbf").unlink()
    assert sha256(one) != hashes[0]
    assert sha256(other) == hashes[1]


def test_a_file_that_its_folder_does_not_list_is_hashed_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = shapefile(tmp_path, "net")
    monkeypatch.setattr(Path, "iterdir", lambda folder: iter(()))
    assert sha256(path) == hashlib.sha256(b"x.shp").hexdigest()
    assert len(state_of(path)) == 1


def test_a_folder_has_one_hash_whether_a_program_has_it_open_or_not(tmp_path: Path) -> None:
    (folder := tmp_path / "net.gdb").mkdir()
    (folder / "a00000001.gdbtable").write_bytes(b"x")
    before = sha256(folder), state_of(folder)
    for lock in ("_gdb.HOST.12.34.sr.lock", "a00000001.HOST.12.34.RD.LOCK"):
        (folder / lock).write_bytes(b"")
        assert (sha256(folder), state_of(folder)) == before
    (folder / "lock").write_bytes(b"")
    assert sha256(folder) != before[0]


def test_a_folder_has_one_hash_on_systems_that_sort_names_without_regard_to_case(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder := tmp_path / "net").mkdir()
    for name in ("a.x", "B.x", "c.x"):
        (folder / name).write_text(name, encoding="utf-8")
    path = shapefile(folder, "net")
    path.with_suffix(".dbf").rename(path.with_suffix(".DBF"))
    before = sha256(folder), sha256(path)

    def less(one: Path, other: Path) -> bool:
        return str(one).casefold() < str(other).casefold()

    monkeypatch.setattr(Path, "__lt__", less, raising=False)
    assert sorted([folder / "B.x", folder / "a.x"])[0].name == "a.x"
    assert (sha256(folder), sha256(path)) == before


@pytest.mark.parametrize("ending", [".prj", ".PRJ"])
def test_the_files_of_a_shapefile_are_linked_by_the_name_it_is_given_without_its_prj(
    tmp_path: Path, blind: None, ending: str
) -> None:
    path = shapefile(tmp_path, "net")
    path.with_suffix(".prj").rename(path.with_suffix(ending))
    (to := tmp_path / "to").mkdir()
    Prj("NET.prj", b"", tmp_path).copy_others(to)
    assert sorted(file.name for file in to.iterdir()) == ["NET.dbf", "NET.shp", "NET.shx"]
    assert (to / "NET.dbf").read_bytes() == b"x.dbf"
