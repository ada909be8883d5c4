"""The tool ``sample``: writes what it says, replaces nothing unasked."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

import geotools
from geotools.brief import load_brief
from geotools.errors import OutputError
from geotools.tools.sample import FILES


def test_sample_is_copied_whole_and_its_brief_reads(tmp_path: Path) -> None:
    home = tmp_path / "deep" / "down"
    outcome = geotools.sample(home)
    assert sorted(path.name for path in home.iterdir()) == sorted(FILES)
    assert outcome.summary == {"directory": str(home), "files": list(FILES)}
    brief = load_brief(home / "brief.toml")
    for source in brief.inputs.values():
        for path in [source.source] if isinstance(source.source, str) else source.source:
            assert Path(path.split(".gpkg:")[0] + ".gpkg" if ".gpkg:" in path else path).is_file()


def test_existing_files_are_kept_unless_told_otherwise(tmp_path: Path) -> None:
    mine = tmp_path / "brief.toml"
    mine.write_text("# mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"brief\.toml: exists already; give --overwrite"):
        geotools.sample(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["brief.toml"]
    assert mine.read_text(encoding="utf-8") == "# mine"
    geotools.sample(tmp_path, overwrite=True)
    assert mine.read_text(encoding="utf-8") != "# mine"


def test_a_disk_that_fills_up_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = {name: f"my {name}".encode() for name in FILES}
    for name, content in before.items():
        (tmp_path / name).write_bytes(content)
    copies = []

    def fill(source: Path, target: Path) -> None:
        Path(target).write_bytes(b"half")
        copies.append(target)
        if len(copies) == len(FILES):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("shutil.copyfile", fill)
    with pytest.raises(OutputError, match=r"No space left on device.*existing was touched"):
        geotools.sample(tmp_path, overwrite=True)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize("overwrite", [False, True])
def test_the_sample_is_not_copied_onto_itself(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    link: Callable[[Path, Path], None],
    overwrite: bool,
) -> None:
    source = tmp_path / "sample"
    geotools.sample(source)
    before = {path.name: path.read_bytes() for path in source.iterdir()}
    monkeypatch.setattr("geotools.tools.sample._source", lambda: source)
    link(tmp_path / "other", source)
    with pytest.raises(OutputError, match="is the sample itself; give another folder"):
        geotools.sample(tmp_path / "other", overwrite=overwrite)
    assert {path.name: path.read_bytes() for path in source.iterdir()} == before


def test_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot be written"):
        geotools.sample(file / "below")
