"""The tool ``sample``: the invented district and a brief to start from."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from geotools.errors import OutputError, SlipmainError
from geotools.tool import Key, Outcome, Parameter, Progress, Tool

__all__ = ["FILES", "TOOL", "sample"]

FILES = ("district.gpkg", "dem.tif", "brief.toml")

TOOL = Tool(
    name="sample",
    title="Copy the sample district",
    summary=(
        "Writes an invented district (layers, ground levels) and a commented brief into a "
        "folder, to try the other tools on."
    ),
    function="geotools.tools.sample:sample",
    parameters=(
        Parameter(
            "directory",
            "path",
            "folder to write into; made if it does not exist",
            required=True,
            positional=True,
        ),
        Parameter("overwrite", "flag", "replace files of the same names"),
    ),
    says=(
        Key("directory", "text", "folder written to"),
        Key("files", "list", "names of the files written"),
    ),
)


def sample(*, directory: Path, overwrite: bool, progress: Progress) -> Outcome:
    """Copy the sample district into a folder.

    Parameters
    ----------
    directory : Path
    overwrite : bool
        Replace files of the same names.
    progress : Progress

    Raises
    ------
    OutputError
        If the files cannot be written there, some exist, or they are the sample itself; nothing
        was touched then.
    """
    source = _source()
    if directory.exists() and directory.samefile(source):
        raise OutputError(f"{directory}: is the sample itself; give another folder")
    targets = [directory / name for name in FILES]
    standing = [str(target) for target in targets if target.exists()]
    if standing and not overwrite:
        raise OutputError(f"{', '.join(standing)}: exists already; give --overwrite to replace")
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{directory}: cannot be written ({error.strerror})") from error
    _copy(source, targets, progress)
    brief = directory / "brief.toml"
    return Outcome(
        {"directory": str(directory), "files": list(FILES)},
        "\n".join(
            [
                *(f"wrote {target}" for target in targets),
                f"next: slipmain intake {brief}",
                f"      slipmain plan {brief} -o {directory / 'plan.gpkg'}",
            ]
        ),
    )


def _copy(source: Path, targets: Sequence[Path], progress: Progress) -> None:
    """Copy files beside their targets; they take their places when all are whole."""
    import shutil

    from geotools.deliver.files import replacing

    with ExitStack() as places:
        for number, target in enumerate(targets):
            progress("copying the sample", number, len(targets))
            shutil.copyfile(source / target.name, places.enter_context(replacing(target)))


def _source() -> Path:
    """Return the folder of the sample: in the installed package, or in a checkout."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "_sample", package.parent / "sample_gis"):
        if all((folder / name).is_file() for name in FILES):
            return folder
    raise SlipmainError("the sample district is not part of this installation; install it anew")
