"""Service: statuses that likely mean out of service, or that nobody can tell the meaning of.

Of mains, and of what else has a status: the words are the same.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.among import among
from geotools.pipe.names import folded

__all__ = ["coded_statuses", "doubtful_statuses", "plain_statuses", "unknown_statuses"]

# Beginnings of words, letters alone, by which records say that a main is not in service, beside
# those of the brief. Common practice, no source.
OUT = (
    "abandon", "cutoff", "dead", "decommission", "demolish", "disconnect", "discontinu", "disus",
    "future", "inactive", "isolated", "mothball", "notbuilt", "notinservice", "notinuse",
    "notyetbuilt", "nolonger", "obsolete", "outofuse", "planned", "proposed", "redundant",
    "removed", "retired", "unused",
    # German
    "abgebaut", "abgetrennt", "aufgegeben", "aufgelassen", "ausgebaut", "ausserbetrieb",
    "ausserdienst", "demontiert", "entfernt", "geplant", "inaktiv", "inplanung", "nichtinbetrieb",
    "nichtgebaut", "planung", "projektiert", "ruckgebaut", "stillgelegt", "stilllegung",
    "totgelegt", "ungenutzt", "verdammt", "verfullt", "verlassen", "vorgesehen", "zukunftig",
    # French
    "condamne", "demoli", "depose", "desactive", "desaffecte", "enprojet", "futur", "horsservice",
    "horsdeservice", "horsdusage", "horsusage", "inactif", "inutilise", "misehorsservice",
    "mishorsservice", "nonenservice", "prevu", "projete", "projet", "supprime",
    # Spanish
    "anulad", "clausurad", "dadodebaja", "dadadebaja", "debaja", "desconectad", "desuso",
    "eliminad", "endesuso", "enproyecto", "fueradeservicio", "fueradeuso", "inactiv",
    "noenservicio", "planificad", "propuest", "proyectad", "proyecto", "retirad", "sinservicio",
    # Italian
    "dismess", "dismission", "disattiv", "fuoriesercizio", "fuoriservizio", "fuoriuso", "inattiv",
    "inprogetto", "nonattiv", "noninesercizio", "noninservizio", "pianificat", "previst",
    "progettat", "progetto", "rimoss",
    # Dutch
    "afgekoppeld", "buitenbedrijf", "buitendienst", "buitengebruik", "buitenwerking", "gepland",
    "gesloopt", "inactief", "nietinbedrijf", "nietingebruik", "ontworpen", "opgeheven",
    "toekomstig", "verlaten", "vervallen", "verwijderd", "voorgesteld",
    # Portuguese
    "desactivad", "desativad", "desligad", "emdesuso", "emprojecto", "emprojeto", "foradeservico",
    "foradeuso", "inativ", "planead", "planejad", "projectad", "projetad", "propost", "removid",
    # Polish
    "likwidacj", "nieczynn", "nieuzywan", "odciet", "planowan", "porzucon", "projektowan",
    "unieczynnion", "usuniet", "wprojekcie", "wycofan", "wylaczon", "zdemontowan", "zlikwidowan",
    # Czech
    "budouci", "demontovan", "mimoprovoz", "navrhovan", "navrzen", "neaktivni", "nefunkcni",
    "nepouzivan", "neprovozovan", "odpojen", "odstranen", "opusten", "vprojektu", "vyrazen",
    "zrusen",
    # Swedish
    "avstangd", "avvecklad", "borttag", "ejibruk", "ejidrift", "foreslagen", "framtida", "nedlagd",
    "overgiven", "planerad", "projekterad", "slopad", "tagenurbruk", "tagenurdrift", "urbruk",
    "urdrift", "utrangerad", "uttagenurdrift",
    # Danish
    "afproppet", "fjernet", "foreslaet", "forladt", "frakoblet", "fremtidig", "ikkeibrug",
    "ikkeidrift", "nedlagt", "planlagt", "projekteret", "slojfet", "udafdrift", "udeafdrift",
    "udgaet",
)  # fmt: skip
ALIKE = 0.85  # likeness from which a word is one of the brief's, mistyped or inflected
SHORTEST = 4  # letters; fewer are a code, and longer words that begin with them say nothing
# Words, letters alone, that say of a main that it is in service. Common practice, no source.
IN_SERVICE = frozenset({
    "act", "active", "asbuilt", "built", "commissioned", "connected", "constructed", "current",
    "existing", "functional", "in", "inoperation", "inservice", "installed", "inuse", "live",
    "normal", "ok", "on", "open", "operating", "operational", "operative", "run", "running", "use",
    "used", "working", "yes",
    "aktiv", "benutzt", "bestand", "bestehend", "betrieb", "genutzt", "inbetrieb",
    "inbetriebgenommen", "ingebrauch", "inbenutzung", "vorhanden",
    "actif", "enexploitation", "enfonctionnement", "enservice", "enusage", "existant", "existante",
    "activa", "activo", "enfuncionamiento", "enoperacion", "enservicio", "enuso", "existente",
    "funcionando", "operativa", "operativo",
    "attiva", "attivo", "esistente", "inesercizio", "infunzione", "inservizio", "inuso",
    "actief", "bestaand", "bestaande", "inbedrijf", "indienst", "ingebruik", "inwerking",
    "operationeel",
    "ativa", "ativo", "emfuncionamento", "emoperacao", "emservico", "emuso", "operacional",
    "aktywna", "aktywne", "aktywny", "czynna", "czynne", "czynny", "eksploatowana",
    "eksploatowany", "istniejaca", "istniejace", "istniejacy", "weksploatacji", "wuzyciu",
    "aktivni", "funkcni", "provozovana", "provozovany", "stavajici", "vprovozu",
    "befintlig", "befintliga", "ibruk", "idrift",
    "eksisterende", "ibrug",
    "使用中", "在用",
})  # fmt: skip
SINCE = ("since", "seit", "depuis", "desde", "dal", "sinds", "od", "sedan", "siden")
SHOWN = 30  # words of which nobody knows the meaning told one by one
CODES = 20  # codes told one by one
# What before a word says the contrary of it: one of these short of a name of the brief is none.
CONTRARY = ("de", "dis", "in", "no", "non", "not", "notyet", "out", "outof", "un")


def doubtful_statuses(
    status: npt.NDArray[np.object_],
    lengths: npt.NDArray[np.float64] | None,
    excluded: Sequence[str],
    say: Callable[[float], str] | None,
    *,
    layer: str = "mains",
) -> str:
    """Return a text on words that are taken as in service and likely mean the contrary, or "".

    Parameters
    ----------
    status : ndarray of str objects, shape (n,)
        Of every main, or feature of another layer.
    lengths : ndarray, shape (n,), or None
        Of every main, m; of features without a length none.
    excluded : sequence of str
        Statuses that are not lined; if there are none, nothing is doubtful.
    say : callable or None
        Puts a length, m, in words.
    layer : str
        Layer of the contract.
    """
    words = _met(status, lengths, excluded)
    told = [_told(words, word, say) for word in words.index if _means_out(word, excluded)]
    if not told or not excluded:
        return ""
    return (
        f"{layer} of status {', '.join(told)} are taken as in service, since none of these words "
        "is among network.excluded_statuses as it is written, though they seem to say the "
        "contrary; add those that are out of service to network.excluded_statuses"
    )


def coded_statuses(
    status: npt.NDArray[np.object_],
    lengths: npt.NDArray[np.float64] | None,
    excluded: Sequence[str],
    say: Callable[[float], str] | None,
    *,
    layer: str = "mains",
) -> tuple[str, str]:
    """Return severity and text on codes among the statuses, or "" twice.

    What a code means is the utility's own: ``A`` may be active and abandoned. Who excludes codes
    has read the list of them, and is told of the others for information.

    Parameters
    ----------
    status, lengths, excluded, say, layer
        As of `doubtful_statuses`.
    """
    words = _met(status, lengths, excluded)
    codes = words[[_is_code(word) for word in words.index]]
    if not len(codes) or not excluded:
        return "", ""
    codes = codes.sort_values("size", ascending=False, kind="stable")
    told = [_told(codes, word, say) for word in codes.index[:CODES]]
    more = f" and {len(codes) - CODES:,} other codes" if len(codes) > CODES else ""
    text = (
        f"{layer} of status {', '.join(told)}{more} are taken as in service: these are codes, "
        "which network.excluded_statuses does not list and whose meaning is not known here; look "
        "up which of them mean abandoned or not built, and add those to "
        "network.excluded_statuses, or "
        f"name a column with the words in place of the codes under [inputs.{layer}.fields]"
    )
    return "info" if any(_is_code(word) for word in excluded) else "warning", text


def unknown_statuses(
    status: npt.NDArray[np.object_],
    lengths: npt.NDArray[np.float64] | None,
    excluded: Sequence[str],
    say: Callable[[float], str] | None,
    *,
    layer: str = "mains",
) -> str:
    """Return a text on words of which it is not known whether they mean in service, or "".

    Codes, and words that likely mean out of service, are told by themselves.

    Parameters
    ----------
    status, lengths, excluded, say, layer
        As of `doubtful_statuses`.
    """
    words = _met(status, lengths, excluded)
    words = words[[_is_strange(word, excluded) for word in words.index]]
    if not len(words) or not excluded:
        return ""
    words = words.sort_values("size", ascending=False, kind="stable")
    told = [_told(words, word, say) for word in words.index[:SHOWN]]
    rest = words["size"].iloc[SHOWN:]
    more = f" and {len(rest):,} other words ({int(rest.sum()):,})" if len(rest) else ""
    priced = ", planned and priced" if layer == "mains" else ""
    return (
        f"{layer} of status {', '.join(told)}{more} are taken as in service{priced}, "
        "since none of these words is among network.excluded_statuses; whether they mean that is "
        "not known here; add those that mean abandoned, out of service or not built to "
        "network.excluded_statuses"
    )


def plain_statuses(
    status: npt.NDArray[np.object_], excluded: Sequence[str]
) -> npt.NDArray[np.object_]:
    """Return the statuses taken as in service of which nothing else here tells a doubt.

    If none are excluded, nothing is doubtful.

    Parameters
    ----------
    status : ndarray of str objects, shape (n,)
    excluded : sequence of str
        Statuses that are not lined.
    """
    words = pd.Series(status, dtype=object).fillna("").astype(str).str.strip()
    met = [word for word in words.unique() if word and not among([word], excluded)[0]]
    plain = [word for word in met if not (excluded and _is_doubted(word, excluded))]
    return words[words.isin(plain)].to_numpy(dtype=object)


def _is_doubted(word: str, excluded: Sequence[str]) -> bool:
    return _is_code(word) or _means_out(word, excluded) or _is_strange(word, excluded)


def _is_strange(word: str, excluded: Sequence[str]) -> bool:
    """Tell whether a status is a word not known to mean in service, nor to mean out of it."""
    letters = _letters(word)
    known = not letters or _is_code(word) or _means_out(word, excluded)
    return not known and not _means_in(letters)


def _means_in(letters: str) -> bool:
    """Tell whether letters are a word for in service, maybe with a since behind it."""
    ends = ("", *SINCE)
    return any(letters.removesuffix(end) in IN_SERVICE for end in ends)


def _met(
    status: npt.NDArray[np.object_],
    lengths: npt.NDArray[np.float64] | None,
    excluded: Sequence[str],
) -> pd.DataFrame:
    """Return number and length, m, of what is of each status that is not excluded, by word."""
    table = pd.DataFrame({"word": pd.Series(status, dtype=object).str.strip()})
    table["length"] = 0.0 if lengths is None else lengths
    words = table.groupby("word")["length"].agg(["size", "sum"])
    return words[~among(words.index, excluded)]


def _told(words: pd.DataFrame, word: str, say: Callable[[float], str] | None) -> str:
    place = words.index.get_loc(word)
    size, length = words["size"].to_numpy()[place], words["sum"].to_numpy(dtype=float)[place]
    return f"{word!r} ({size:,}, {say(float(length))})" if say else f"{word!r} ({size:,})"


def _is_code(word: str) -> bool:
    """Tell whether a status is a code: of few letters, or one word with a digit in it.

    In scripts that have a sign for a word, few signs are no code.
    """
    letters = _letters(word)
    if not word.strip() or letters in IN_SERVICE:
        return False
    digit = any(sign.isdigit() for sign in word) and len(word.split()) == 1
    return (letters.isascii() and len(letters) < SHORTEST) or digit


def _means_out(word: str, excluded: Sequence[str]) -> bool:
    """Tell whether a word begins with, or is much like, one for out of service."""
    letters = _letters(word)
    if not letters:
        return False
    own = [name for name in map(_letters, excluded) if len(name) >= SHORTEST]
    return letters.startswith((*own, *OUT)) or any(_alike(letters, name) for name in own)


def _alike(letters: str, name: str) -> bool:
    """Tell whether a word is much like a name, and not the contrary of it: active, of inactive."""
    if name.endswith(letters) and name.removesuffix(letters) in CONTRARY:
        return False
    return difflib.SequenceMatcher(None, letters, name).ratio() >= ALIKE


def _letters(word: str) -> str:
    """Return the letters of a word, lower case, without marks on them and all that is between."""
    return "".join(letter for letter in folded(word) if letter.isalpha())
