"""Words for kinds of valves: which shut a main, which do not, which cannot be moved."""

from __future__ import annotations

import pytest

from geotools.pipe._tables import rows
from geotools.pipe.names import folded
from geotools.pipe.valves import is_stuck, valve_kind

LANGUAGES = {
    "English", "German", "French", "Spanish", "Italian", "Dutch", "Portuguese", "Polish", "Czech",
    "Swedish", "Danish",
}  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        "Gate", "GATE VALVE", "butterfly", "Sluice valve DN 300", "Valve", "GV", "Resilient wedge",
        "Schieber", "Absperrklappe", "Keilschieber DN 400", "Vanne", "Vanne papillon",
        "Vanne DN200", "Robinet-vanne", "Válvula de compuerta", "mariposa", "Saracinesca",
        "Valvola a farfalla", "Afsluiter", "Vlinderklep", "Válvula gaveta", "Zasuwa",
        "Przepustnica", "Šoupě", "Uzávěr", "Avstängningsventil", "Skydeventil", "Spjældventil",
    ],
)  # fmt: skip
def test_line_valves_are_known_in_the_languages_of_the_records(text: str) -> None:
    assert valve_kind(text) == "line"


@pytest.mark.parametrize(
    "text",
    [
        "Air valve", "air_valve", "AirRelease", "ARV", "Scour", "Wash-out", "Hydrant gate valve",
        "Backflow preventer", "Entlüftungsventil", "Be- und Entlüfter", "Entleerung",
        "Spülschieber", "Hydrantenschieber", "Ventouse", "Vanne de vidange", "Ventosa", "Desagüe",
        "Sfiato", "Scarico", "Ontluchter", "Spui", "Spuiafsluiter", "Descarga", "Odpowietrznik",
        "Zasuwa hydrantowa", "Vzdušník", "Kalník", "Avluftare", "Spolventil", "Brandpostventil",
        "Udluftningsventil",
    ],
)  # fmt: skip
def test_what_stands_on_a_branch_is_known_also_beside_a_word_for_a_line_valve(text: str) -> None:
    assert valve_kind(text) == "tapped"


@pytest.mark.parametrize(
    "text",
    [
        "Non-return valve", "NRV", "PRV", "Pressure reducing valve", "Check valve",
        "Rückschlagklappe", "Druckminderer", "Clapet anti-retour", "Réducteur de pression",
        "Válvula reductora de presión", "Valvola di ritegno", "Terugslagklep", "Zawór zwrotny",
        "Zpětná klapka", "Backventil", "Kontraventil",
    ],
)  # fmt: skip
def test_what_water_goes_through_and_shuts_no_main_is_known(text: str) -> None:
    assert valve_kind(text) == "inline"


@pytest.mark.parametrize("text", ["", "7", "xyzzy", "Vent 3", "unbekannt", "otro"])
def test_other_words_are_of_no_kind(text: str) -> None:
    assert valve_kind(text) == ""


@pytest.mark.parametrize(
    ("text", "stuck"),
    [
        ("Gate, seized", True), ("Gate inoperable", True), ("Schieber, nicht gängig", True),
        ("Schieber überteert", True), ("Vanne bloquée", True), ("Válvula atascada", True),
        ("Saracinesca bloccata", True), ("Afsluiter zit vast", True), ("Zasuwa uszkodzona", True),
        ("Gate", False), ("Schieber, auffindbar", False), ("Saracinesca manovrabile", False),
        ("Válvula de bloqueo", False), ("Válvula de bloqueio", False), ("Vanne bloquée", True),
        ("direct buried gate valve", False), ("gate (buried)", True), ("unpaved", False),
        ("Valvola rotativa", False), ("Vanne à clé perdue", True),
    ],
)  # fmt: skip
def test_stuck_or_lost_valves_are_known(text: str, stuck: bool) -> None:
    assert is_stuck(text) == stuck


def test_every_word_is_there_once_as_words_are_compared() -> None:
    table = rows("valve_words")
    words = [row["word"] for row in table]
    assert len(set(words)) == len(words)
    assert [folded(word) for word in words] == words
    assert {row["source"].partition(",")[0] for row in table} == LANGUAGES
    for row in table:
        if row["kind"] == "sound":
            assert not is_stuck(row["word"]) and valve_kind(row["word"]) == ""
        elif row["kind"] == "stuck":
            assert is_stuck(row["word"])
        else:
            assert valve_kind(row["word"]) == row["kind"]


@pytest.mark.parametrize("text", ["Gate valve - in service", "Válvula de bloqueo", "Bloqueio"])
def test_words_that_only_sound_like_others_make_no_other_kind(text: str) -> None:
    assert valve_kind(text) == "line"
