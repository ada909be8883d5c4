"""The folder of a batch: made if need be, and gone again where nothing came of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from geotools.errors import LayerError, OutputError
from geotools.scale.batch import open_folder
from geotools.scale.manifest import LOCK, NAME


def refused(folder: Path, *, written: bool = False) -> None:
    """Begin a batch that is refused, before or after it wrote something."""
    with pytest.raises(LayerError), open_folder(folder) as opened:
        assert (opened / LOCK).exists()
        if written:
            (opened / NAME).touch()
        raise LayerError("districts", "none given")


def test_a_batch_that_is_refused_leaves_no_folder_and_no_mark_in_one(tmp_path: Path) -> None:
    refused(tmp_path / "a" / "b")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "mine.txt").touch()
    refused(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_what_a_batch_wrote_stays_with_its_mark_whatever_becomes_of_it(tmp_path: Path) -> None:
    refused(tmp_path / "a", written=True)
    refused(tmp_path / "a")  # another that goes on
    with open_folder(tmp_path / "b"):
        pass
    assert {path.name for path in (tmp_path / "a").iterdir()} == {LOCK, NAME}
    assert [path.name for path in (tmp_path / "b").iterdir()] == [LOCK]


def test_a_batch_that_finds_another_at_work_leaves_its_mark_alone(tmp_path: Path) -> None:
    with open_folder(tmp_path / "a") as folder:
        with pytest.raises(OutputError, match="another batch is at work"), open_folder(folder):
            pass
        assert (folder / LOCK).exists()
