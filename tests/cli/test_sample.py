"""The tool ``sample``: writes what it says, replaces nothing unasked."""

from __future__ import annotations

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


def test_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot be written"):
        geotools.sample(file / "below")
