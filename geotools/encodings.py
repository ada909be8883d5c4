"""Encodings of text: their names, and in which of them the text of a layer may be."""

from __future__ import annotations

import difflib

__all__ = ["known_encoding"]

# Usual names, of which the one most like a name that is not known is told.
_USUAL = (
    *("UTF-8", "Windows-1252", "ISO-8859-1", "ISO-8859-15", "Latin1", "MacRoman", "CP850"),
    *("Windows-1250", "ISO-8859-2", "Latin2", "CP852", "Windows-1251", "ISO-8859-5", "KOI8-R"),
    *("Windows-1253", "ISO-8859-7", "Windows-1254", "ISO-8859-9", "Windows-1255", "ISO-8859-8"),
    *("Windows-1256", "ISO-8859-6", "Windows-1257", "ISO-8859-13", "Windows-1258", "TIS-620"),
    *("Shift_JIS", "EUC-JP", "GB18030", "GBK", "Big5", "EUC-KR", "CP949"),
)
# Names that one system alone knows, for its own, and what Python has for other ends than files.
_NONE = ("ansi", "dbcs", "mbcs", "oem", "idna", "unicode_escape", "raw_unicode_escape")
_WIDE = ("utf-16", "utf16", "utf-32", "utf32")
_ASCII = bytes(range(32, 127))


def known_encoding(name: str) -> str:
    """Return the name of an encoding as it is given, if the text of a layer can be in it.

    Raises
    ------
    ValueError
        If it is none, or the letters of ASCII are others in it, as in UTF-16: columns and numbers
        are not found then.
    """
    plain = _letters(name)
    if plain == _ASCII.decode("ascii"):
        return name
    if plain or name.casefold().replace("_", "-").startswith(_WIDE):
        raise ValueError(
            f"{name!r} is an encoding that no layer is read in; save the file as UTF-8"
        )
    known = {usual.casefold(): usual for usual in _USUAL}
    close = [usual for usual in known if _digits(usual) == _digits(name)] if _digits(name) else []
    close = close or difflib.get_close_matches(name[:40].casefold(), known, n=1, cutoff=0.7)
    hint = f"did you mean {known[close[0]]}?" if close else f"known, of others: {', '.join(_USUAL)}"
    raise ValueError(f"{name[:40]!r} is no encoding of text; {hint}")


def _digits(name: str) -> str:
    return "".join(filter(str.isdigit, name))


def _letters(name: str) -> str:
    """Return the letters of ASCII as an encoding has them; "" where there is none of that name."""
    if name.strip().casefold().replace("-", "_") in _NONE:
        return ""
    try:
        return _ASCII.decode(name)
    except (LookupError, ValueError):
        return ""
