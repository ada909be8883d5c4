"""Where a layer is: a local file and the layer inside it, or a refusal that says why."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePath, PurePosixPath
from typing import TypeVar

from geotools.errors import LayerError, no_utf8
from geotools.intake.faults import link_fault, nearest

__all__ = [
    "PACKED",
    "SYSTEM",
    "VECTOR_SUFFIXES",
    "Place",
    "absolute",
    "archive_of",
    "archives",
    "file_in",
    "geopackage_of",
    "in_geopackage",
    "joined",
    "locate",
    "named_folder",
    "no_file_fault",
    "odd_letters",
    "refuse_remote",
    "remote_name",
]

# GDAL's file systems that only unpack local files.
LOCAL_SYSTEMS = {"vsizip", "vsigzip", "vsitar", "vsi7z", "vsirar"}
SYSTEM = re.compile(r"/(vsi\w+)[/\\{]")
_SYSTEMS = re.compile(r"/(?:[/{]*vsi\w+[/\\{]\{?)+")  # an archive may lie in another
# Names that make GDAL open a connection where no such file exists.
CONNECTION = re.compile(
    r"(?:^|[/\\])((?:PG|PGeo|MySQL|MSSQL|OCI|ODBC|HANA|MongoDBv3|WFS3?|OAPIF|OGCAPI|CSW|WCS|WMS|WMTS"
    r"|ES|Carto|AmigoCloud|PLScenes|NGW|EEDA|EEDAI|ADBC|GPSBabel|GDALG|DSN|HTTPS?|FTP|CouchDB)"
    r":.*)",
    re.IGNORECASE | re.DOTALL,
)
GEOPACKAGE = "GPKG:"  # before file and table, as GDAL names a raster that is not alone in its file
PACKED = (".zip", ".gz", ".tgz", ".tar", ".bz2", ".xz", ".zst", ".7z", ".rar")
# Files that only point at other data, by what they contain.
POINTERS = (b"<OGRVRTDataSource", b"<OGRWFSDataSource", b"<OGRWFSLayer", b"gdal_streamed_alg")
POINTER_HEAD = 65536
VECTOR_SUFFIXES = {
    ".gpkg", ".shp", ".geojson", ".json", ".fgb", ".parquet", ".geoparquet", ".gml", ".kml",
    ".gdb", ".csv", ".sqlite", ".dxf", ".tab", ".mif", ".zip",
}  # fmt: skip

AnyPath = TypeVar("AnyPath", bound=PurePath)


@dataclass(frozen=True)
class Place:
    """A source of one layer.

    Attributes
    ----------
    target : str
        What GDAL is asked to open.
    path : Path or None
        The local file or folder it is; None for a remote source.
    sublayer : str or None
        Layer inside it, if named.
    """

    target: str
    path: Path | None
    sublayer: str | None

    @property
    def shown(self) -> str:
        """The name without folders, for findings and results."""
        if self.path is None:
            return re.sub(r"^.*[/\\]", "", self.target)
        if self.path.name in ("", ".."):  # these are no names to tell a folder by
            return named_folder(self.path)
        return self.path.name


def locate(layer: str, source: str, *, allow_remote: bool) -> Place:
    """Find what a source of the form ``path`` or ``path:layer`` means.

    A file that exists under the whole text wins over a layer name after a colon, so colons
    in file names and Windows drive letters do no harm.

    Raises
    ------
    LayerError
        If there is no such file, it is none to be read, or the source is remote and
        ``allow_remote`` is not set.
    """
    local = _existing(layer, source)
    if local is not None:
        _refuse_pointer(layer, local, allow_remote=allow_remote)
        return local
    remote = remote_name(source)
    if remote is not None:
        if not allow_remote:
            raise refuse_remote(layer, remote)
        return _remote(remote)
    archive = SYSTEM.match(source)
    if archive:
        return _archive(layer, source)
    raise LayerError(f"{layer} ({source})", _no_file(source))


def remote_name(source: str) -> str | None:
    """Return what makes a source remote (without the brief's folder before it), or None."""
    if any(system not in LOCAL_SYSTEMS for system in SYSTEM.findall(source)) or "://" in source:
        return source
    connection = CONNECTION.search(source)
    return connection[1] if connection else None


def refuse_remote(layer: str, source: str) -> LayerError:
    """Return the error for a remote source that was not allowed."""
    kind = source.partition(":")[0] if "://" not in source else source.partition("://")[0]
    return LayerError(
        f"{layer} ({kind}: source)",
        "is not a local file, and only local files are read; save it as a local file, or "
        "allow remote sources with --allow-remote",
    )


def named_folder(path: Path) -> str:
    """Return the name of a folder that is given by none, such as ``.``; of the root its path."""
    whole = path.resolve()
    return whole.name or str(whole)


def no_file_fault(path: Path) -> str:
    """Say of what is there and neither file nor folder that it cannot be read; "" of others.

    A pipe would be waited for until somebody writes into it.
    """
    if path.is_file() or path.is_dir() or not path.exists():
        return ""
    return "is a pipe, a socket or a device and no file; save what it gives as a file"


def _existing(layer: str, source: str) -> Place | None:
    head = file_in(source)
    if not head:
        return None
    if why := no_file_fault(Path(head)):
        raise LayerError(f"{layer} ({source})", why)
    path = Path(head)  # as the system writes it, here and in the target
    return Place(_opened(str(path)), path, source[len(head) + 1 :] or None)


def file_in(source: str, folder: str | Path = "") -> str:
    """Return the file or folder in a source ``path`` or ``path:layer``; "" if there is none.

    It is the source's own text; ``folder`` is where it is relative to, if not to this one.
    """
    if _is_there(source, folder):
        return source
    head, colon, tail = source.rpartition(":")
    while colon:
        if len(head) > 1 and tail and _is_there(head, folder):
            return head
        head, colon, tail = head.rpartition(":")
    return ""


def joined(folder: str | Path, source: str) -> str:
    """Return a source that lies in a folder, unless it says where by itself.

    The name of a layer in it stays to the letter: it is no path, though it may have ``/`` in it.
    """
    head = file_in(source, folder) or source
    return f"{Path(folder, head)}{source[len(head) :]}"


def absolute(source: str) -> str:
    """Return a source that means in any folder, and any process, what it means in this one.

    Links and ``..`` stay as they are, and so does what is no local file.
    """
    here = Path.cwd()
    if file_in(source):
        return joined(here, source)
    system = SYSTEM.match(source)
    if system:
        found = _archive_and_rest(source)
        return f"{system[0]}{_packed(source[system.end() :], *found)}" if found else source
    if remote_name(source) is not None:
        return source
    if GEOPACKAGE in source:
        return in_geopackage(source) or source
    return str(here / source)  # a pattern, or nothing that is there


def _packed(inside: str, outermost: Path, rest: str) -> str:
    """Return the archive, and the member in it, of a source as `absolute` gives a source.

    ``rest`` is what stands behind the outermost archive. That may stand in braces, as GDAL has
    them where its name ends unusually. One in another archive without braces stays as it is: where
    it begins GDAL alone knows.
    """
    if inside.startswith("{"):
        archive, brace, member = inside[1:].rpartition("}")
        return f"{{{absolute(archive)}{brace}{member}"
    is_nested = SYSTEM.match(f"/{inside.lstrip('/')}") is not None
    return inside if is_nested else f"{Path.cwd() / outermost}{rest}"


def in_geopackage(source: str) -> str:
    """Return what GDAL calls a raster given as ``file.gpkg:table``; "" for what is none.

    ``GPKG:file.gpkg:table`` is taken too, also behind the folder a brief lies in.
    """
    folder, _, rest = source.rpartition(GEOPACKAGE)
    head = file_in(rest, folder)
    path = str(Path(folder, head).absolute())  # so that the last part of the name is the file's
    given = bool(head) and path.lower().endswith(".gpkg") and len(rest) > len(head) + 1
    return f"{GEOPACKAGE}{path}{rest[len(head) :]}" if given else ""


def geopackage_of(raster: str) -> Path | None:
    """Return the local GeoPackage of a raster by the name of `in_geopackage`; None for others."""
    if not raster.startswith(GEOPACKAGE):
        return None
    head = file_in(raster.removeprefix(GEOPACKAGE))
    return Path(head) if head else None


def odd_letters(path: Path) -> str:
    """Return what in a path keeps pyogrio from opening it, as text; "" if nothing does.

    It takes a path with these letters for a URL with parameters or an archive's member, and no
    path that is not UTF-8.
    """
    odd = sorted({*";!"} & {*str(path)})
    return " and ".join([*odd, *(["bytes that are not UTF-8"] if no_utf8(str(path), "") else [])])


def _opened(source: str) -> str:
    """Return what GDAL is to open: of an archive whose files all lie in a folder, that folder.

    It looks into the archive itself and no deeper. A single file there is opened itself.
    """
    if Path(source).suffix.lower() != ".zip" or not zipfile.is_zipfile(source):
        return source
    with zipfile.ZipFile(source) as archive:
        files = [PurePosixPath(name) for name in archive.namelist() if not name.endswith("/")]
    # What systems add of their own, such as __MACOSX/ and .DS_Store, is no data.
    files = [f for f in files if not any(part.startswith((".", "__")) for part in f.parts)]
    folders = {file.parent for file in files}
    if len(files) == 1 and files[0].suffix.lower() != ".vrt":
        return f"/vsizip/{source}/{files[0]}"
    if len(folders) != 1 or folders == {PurePosixPath(".")}:
        return source
    return f"/vsizip/{source}/{folders.pop()}"


def _is_there(text: str, folder: str | Path) -> bool:
    try:
        return "\0" not in text and Path(folder, text).exists()
    except OSError:  # name too long for the file system
        return False


def _refuse_pointer(layer: str, place: Place, *, allow_remote: bool) -> None:
    """Refuse files that only point at other data, which may lie anywhere."""
    if allow_remote or place.path is None or not place.path.is_file():
        return
    with place.path.open("rb") as stream:
        head = stream.read(POINTER_HEAD)
    if any(mark in head for mark in POINTERS):
        raise LayerError(
            f"{layer} ({place.shown})",
            "is a virtual layer (VRT or the like) that points at other data, which need not be "
            "local; give the data itself, or allow this with --allow-remote",
        )


def _remote(source: str) -> Place:
    head, _, tail = source.rpartition(":")
    if not head or re.search(r"[/\\=\s]", tail) or not re.search(r"[/\\=]", head):
        return Place(source, None, None)
    return Place(head, None, tail)


def _archive(layer: str, source: str) -> Place:
    """Return a place inside a local archive, such as ``/vsizip/folder/net.zip/net.shp``."""
    found = _archive_and_rest(source)
    if found is None:
        raise LayerError(f"{layer} ({source})", "no such archive; check the path")
    path, rest = found
    inside, _, sublayer = rest.partition(":")
    return Place(source[: len(source) - len(rest)] + inside, path, sublayer or None)


def archive_of(source: str) -> Path | None:
    """Return the local archive a source lies in, such as ``/vsizip/folder/net.zip/net.shp``.

    A layer may be named after a colon, also right behind the archive: a file packed alone has no
    name in it.
    """
    found = _archive_and_rest(source)
    return None if found is None else found[0]


def _archive_and_rest(source: str) -> tuple[Path, str] | None:
    """Return the outermost archive of a source and the text behind it; None if there is none."""
    if not source.startswith("/vsi"):
        return None
    return next((found for found in archives(source, Path) if found[0].is_file()), None)


def archives(source: str, kind: type[AnyPath]) -> Iterator[tuple[AnyPath, str]]:
    """Give every path that may be the outermost archive of a source, and the text behind it.

    What stands behind the names of GDAL's systems is taken as it is, the longest path first, then
    as if it began at the root: they put a ``/`` of their own before a path, which with a drive or
    a share before it is no path any more.

    Parameters
    ----------
    source : str
    kind : type
        Of paths: those of this system, or of another one.
    """
    systems = _SYSTEMS.match(source)
    text = source[systems.end() :] if systems else source
    if kind(text).anchor == "//":  # which POSIX keeps; on Windows it begins a share
        text = text[1:]
    ends = [len(text), *(found.start() for found in re.finditer(r"[/\\:}]", text))]
    for start in ("", "/"):
        for end in sorted(ends, reverse=True):
            yield kind(start + text[:end]), text[end:]


def _no_file(source: str) -> str:
    path = _meant(source)
    if not path.parent.is_dir():
        return f"no such file, and no folder {str(path.parent)!r}; check the path"
    if broken := link_fault(path):
        return broken
    there = sorted(p.name for p in path.parent.iterdir() if not p.name.startswith("."))
    close = nearest(path.name, there)
    if close:
        return f"no such file; did you mean {close!r}?"
    vectors = [name for name in there if Path(name).suffix.lower() in VECTOR_SUFFIXES]
    return f"no such file; files in its folder: {', '.join(vectors[:10]) or 'none with layers'}"


def _meant(source: str) -> Path:
    """Return the file a missing source most likely meant: without a layer after a colon."""
    head, colon, tail = source.rpartition(":")
    is_layer = colon and len(head) > 1 and not re.search(r"[/\\.]", tail)
    return Path(head if is_layer else source)
