"""Ways that no vehicle uses, left out of the streets: no lane is closed there, no string laid.

What is left out are the classes of the brief; words of others that seem to say it are told.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.among import among
from geotools.intake.findings import Findings, counted
from geotools.intake.load import Loaded
from geotools.pipe.names import folded, spaced

__all__ = ["doubtful_ways", "only_streets"]

# Beginnings of words that say of a way that no vehicle uses it, as `spaced` writes them, and words
# that say it as a whole. Common practice, no source. Not there is what may carry vehicles, too:
# lane, alley, path, track, chemin, Steig, calle peatonal.
ON_FOOT = (
    "bicycle path", "bicycle track", "bicycle trail", "bicycle way", "bike path", "bike track",
    "bike trail", "bike way", "bikeway", "boardwalk", "bridle path", "bridle way", "bridlepath",
    "bridleway", "crosswalk", "cycle path", "cycle track", "cycle way", "cyclepath", "cycletrack",
    "cycleway", "elevator", "escalator", "foot bridge", "foot path", "foot trail", "foot way",
    "footbridge", "footpath", "footway", "greenway", "hiking", "multi use path", "multi use trail",
    "pedestrian bridge", "pedestrian crossing", "pedestrian overpass", "pedestrian path",
    "pedestrian subway", "pedestrian trail", "pedestrian underpass", "pedestrian walk",
    "pedestrian way", "shared path", "shared use path", "side walk", "sidewalk", "stair",
    "tow path", "towing path", "towpath", "walking path", "walking trail", "walkway",
    # German
    "bahnsteig", "burgersteig", "fahrradweg", "fussgangersteg", "fussgangerbruck",
    "fussgangertunnel", "fussgangeruber", "fussgangerunter", "fussgangerweg", "fusspfad",
    "fussweg", "gehbahn", "gehsteig", "gehweg", "leinpfad", "radfahrweg", "radschnellweg",
    "radweg", "reitweg", "trampelpfad", "treidelpfad", "treppe", "wanderpfad", "wanderweg",
    # French
    "chemin de halage", "chemin pedestre", "chemin pieton", "cheminement pieton", "escalier",
    "halage", "passage pieton", "passerelle", "piste cyclable", "sente", "sentier", "trottoir",
    "voie cyclable", "voie pietonne", "voie verte",
    # Spanish
    "acera", "andador peatonal", "banqueta", "camino peatonal", "carril bici", "ciclopista",
    "ciclorruta", "ciclovia", "cruce peatonal", "escalera", "escalinata", "escalones",
    "pasaje peatonal", "pasarela", "paso de peatones", "paso peatonal", "puente peatonal", "senda",
    "sendero", "vereda", "via ciclista",
    # Italian
    "ciclabile", "ciclopedonale", "gradinata", "marciapied", "passaggio pedonale", "passerella",
    "percorso pedonale", "pista ciclabile", "ponte pedonale", "scalinata", "sentiero",
    # Dutch
    "fietsbrug", "fietspad", "jaagpad", "ruiterpad", "stoep", "voetgangersbrug", "voetpad",
    "wandelpad",
    # Portuguese
    "caminho pedonal", "escada", "faixa de pedestres", "passadico", "passagem de pedestres",
    "passagem de peoes", "passarela", "passeio", "percurso pedonal", "ponte pedonal",
    "travessia de pedestres", "trilha", "trilho",
    # Polish
    "chodnik", "ciag pieszo rowerowy", "ciag pieszy", "droga dla pieszych", "droga dla rowerow",
    "droga rowerowa", "kladka", "schody", "sciezka",
    # Czech
    "cyklostezka", "lavka", "pesina", "schodiste", "stezka",
    # Swedish
    "cykelbana", "cykelvag", "gang och cykel", "gangbana", "gangbro", "gangstig", "gangstrak",
    "g c vag", "gangvag", "gc vag", "trappa", "trottoar",
    # Danish
    "cykelsti", "fortov", "gangsti", "stiforbindelse", "trappe",
)  # fmt: skip
ON_FOOT_ALONE = (
    *("pfad", "stig", "sti", "steg", "steps", "trappen"),
    "pesi(?! zona)",  # vehicles deliver there
)
# Words that say it as the whole class: a speed trap is none. So do those of languages whose words
# for with and without are not known here.
ON_FOOT_WHOLE = (
    "andador", "calcadas?", "scala", "trap",
    # Turkish
    "bisiklet(?: ve yaya)? yol(?:u|lari)", "(?:yaya )?kaldirim(?:i|lar|lari)?", "merdiven(?:ler)?",
    "merdivenli (?:yol|sokak)", "patika", "yaya (?:alt |ust )?gecidi", "yaya koprusu",
    "yaya(?: ve bisiklet)? yol(?:u|lari)", "yuruyus yol(?:u|lari)",
    # Greek, with no last sigma
    "διαβαση πεζων", "μονοπατι(?:α)?", "πεζογεφυρα", "πεζοδρομι(?:ο|α)", "ποδηλατοδρομο(?:σ|ι)",
    "σκαλ(?:α|εσ|οπατια)",
    # Hebrew
    "גרם מדרגות", "גשר (?:ל)?הולכי רגל", "מדרגות", "מדרכ(?:ה|ות)", "מעבר חצי?יה",
    "שביל(?:י)? אופניים", "שביל (?:ל)?הולכי רגל",
    # Arabic
    "جسر (?:ال)?مشاة", "درج", "رصيف", "سلالم", "ممر (?:ال)?مشاة", "ممشى",
    "(?:مسار|ممر) (?:ال)?دراجات",
    # Chinese
    "人行道", "人行步道", "行人道", "步道", "步行道", "人行(?:天桥|天橋|横道|橫道|地道)",
    "行人天橋", "台阶", "台階", "臺階", "阶梯", "階梯", "楼梯", "樓梯", "自行车道", "自行車道",
    "單車徑", "腳踏車道",
    # Japanese
    "歩道", "歩道橋", "横断歩道", "遊歩道", "歩行者(?:専用)?(?:道|道路)", "階段", "石段",
    "自転車(?:歩行者)?(?:専用)?(?:道|道路)",
    # Korean
    "보도", "인도", "보도 ?육교", "육교", "횡단보도", "보행자 ?(?:전용)? ?도로", "보행로", "산책로",
    "계단", "자전거 ?(?:전용)? ?도로",
)  # fmt: skip
# Ends of compounds that say it, in Danish, Swedish, Dutch and German: Fahrweg and sonstig are none.
ON_FOOT_ENDS = (
    r"\w{3}sti(?:er)?", r"(?<!son)(?<!gun)(?<!fri)stig(?:ar)?", "trapp(?:a|or|e|er)", "treppen?",
    r"(?:fiets|voet|wandel|ruiter)\w*pad(?:en)?", "(?:geh|rad|fuss|wander)wege?",
)  # fmt: skip
_ON_FOOT = re.compile(
    rf"\b(?:{'|'.join(ON_FOOT)})|\b(?:{'|'.join(ON_FOOT_ALONE)})\b|(?:{'|'.join(ON_FOOT_ENDS)})\b"
    rf"|^(?:{'|'.join(ON_FOOT_WHOLE)})$"
)
# Words of what vehicles use: a class that has one is of a street, whatever it has beside it.
CARRIAGEWAYS = (
    "arterial", "ave", "avenue", "blvd", "boulevard", "car(?! free)", "cars(?! free)", "collector",
    "dr", "drive", "freeway", "highway", "hwy", "local", "main", "major", "minor", "motorway",
    "parkway", "pkwy", "primary", "rd", "residential", "(?<!off )road", "roadway", "secondary",
    "service road", "st", "(?<!off )street", "tertiary", "truck", "trucks", "vehicle", "vehicles",
)  # fmt: skip
_CARRIAGEWAY = re.compile(rf"\b(?:{'|'.join(CARRIAGEWAYS)})\b")
# What stands between a way and what it has or has not, in several languages: w is w/.
_HAVING = re.compile(
    r"\b(?:no|not|non|with|without|w|mit|ohne|avec|sans|con|sin|senza|com|sem|met|zonder|med|utan"
    r"|uden|bez)\b"
)
_AND = re.compile(r"[+&]|\band\b", re.IGNORECASE)
# Part of a class that leaves another one on foot: bike and pedestrian path
_WALKERS = re.compile(
    r"(?:\b(?:bicycles?|bikes?|cycles?|equestrian|foot|hikers?|horses?|multi|paths?|pedestrians?"
    r"|public|shared|trails?|use|walk|walkers?|walking|way)\b ?)*"
)


def doubtful_ways(classes: npt.NDArray[np.object_], excluded: Sequence[str]) -> list[str]:
    """Return a text for each class of streets that by its words no vehicle uses.

    Parameters
    ----------
    classes : ndarray of str objects, shape (n,)
        Of the lines taken as streets.
    excluded : sequence of str
        ``street.excluded_classes``; if there are none, nothing is doubtful.
    """
    if not excluded:
        return []
    counts = pd.Series(classes, dtype=object).str.strip().value_counts()
    met: dict[str, tuple[int, str]] = {}
    for word, count in sorted(counts.items(), key=lambda one: (-one[1], str(one[0]))):
        if _is_on_foot(str(word)):
            plain = folded(str(word))
            size, name = met.get(plain, (0, str(word)))
            met[plain] = (size + count, name)
    return [
        f"streets of class {word!r} ({size:,} lines) are taken as streets, with intersections and "
        "lanes to close, though the word seems to say that no vehicle uses them; if so, add it to "
        "street.excluded_classes"
        for size, word in met.values()
    ]


def _is_on_foot(text: str) -> bool:
    """Tell whether a class says that no vehicle uses it: itself, not what it has beside it."""
    parts = [_HAVING.split(spaced(part))[0].strip() for part in _AND.split(text)]
    on_foot = [_ON_FOOT.search(part) is not None for part in parts]
    if not any(on_foot) or any(map(_CARRIAGEWAY.search, parts)):
        return False
    said = zip(parts, on_foot, strict=True)
    return all(walked or _WALKERS.fullmatch(part) is not None for part, walked in said)


def only_streets(loaded: Loaded, excluded: Sequence[str], findings: Findings) -> Loaded:
    """Return the layer of streets without the ways of the classes excluded, and count these.

    A footway beside a street would else be taken for the main's street, and every place where one
    comes to a street for an intersection.

    Parameters
    ----------
    loaded : Loaded
        The layer of streets.
    excluded : sequence of str
        ``street.excluded_classes``.
    findings : Findings
        Receives how many ways of which class are left out.
    """
    words = pd.Series(loaded.table["class"].to_numpy(dtype=object)[loaded.rows], dtype=object)
    none = among(words, excluded)
    if not none.any():
        return loaded
    driven = loaded.table[["lanes", "speed"]].to_numpy(dtype=float)[loaded.rows][none] > 0
    doubt = " Some of them have lanes or a speed on record: look." if driven.any() else ""
    if none.all():
        doubt += " Nothing is left, and the plan is made as if there were no streets."
    findings.add(
        "warning" if doubt else "info",
        "class-excluded",
        f"{none.sum():,} of {len(words):,} lines are left out, being no streets by their class: "
        f"{counted(words[none])}; they make no intersection, and no pit or string has its place "
        "in them. Where vehicles do use them, take their class out of street.excluded_classes."
        f"{doubt}",
        layer="streets",
        field="class",
    )
    return replace(loaded, rows=loaded.rows[~none], left_out=int(none.sum()))
