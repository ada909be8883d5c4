"""Words for kinds of fittings: which turn a main, which end it, which do neither."""

from __future__ import annotations

import pytest

from geotools.pipe._tables import rows
from geotools.pipe.fittings import fitting_kind
from geotools.pipe.names import folded

LANGUAGES = {
    "English", "German", "French", "Spanish", "Italian", "Dutch", "Portuguese", "Polish", "Czech",
    "Swedish", "Danish",
}  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        "Bend 45", "Flanged elbow", "Bogen 30°", "Krümmer", "FFK-Stück 45", "Winkel", "Coude 1/8",
        "Courbe", "Codo", "Curva 90", "Gomito", "Bocht", "Kniestuk", "Cotovelo", "Kolano", "Łuk",
        "Oblouk", "Böj", "Bøjning",
    ],
)  # fmt: skip
def test_bends_are_known_in_the_languages_of_the_records(text: str) -> None:
    assert fitting_kind(text) == "bend"


@pytest.mark.parametrize(
    "text",
    [
        "Cap", "EndCap", "Stop end", "Blank flange", "Endkappe", "Blindflansch", "Stopfen",
        "X-Stück", "Muffenstopfen", "Endmuffe", "Bouchon", "Plaque pleine", "Bride pleine DN 400",
        "Tapón", "Brida ciega", "Tappo", "Flangia cieca", "Eindkap", "Blindflens", "Tampão",
        "Flange cego", "Zaślepka", "Korek", "Záslepka", "Víčko", "Ändlock", "Propp", "Endebund",
    ],
)  # fmt: skip
def test_what_ends_a_main_is_known_in_the_languages_of_the_records(text: str) -> None:
    assert fitting_kind(text) == "cap"


@pytest.mark.parametrize(
    "text",
    [
        "Capped tee", "T-Stück", "T-Stück mit Blindflansch", "Abzweig", "MMA-Stück", "Té",
        "Té à brides 90", "Té avec bouchon", "Croix", "Reduzierstück", "Cône", "Réduction",
        "Manchon", "Muffe", "Té reducción", "Cruz", "Reducción", "Manguito", "Croce", "Riduzione",
        "Manicotto", "T-stuk", "Kruisstuk", "Verloopstuk", "Redução", "Junção", "Trójnik",
        "Zwężka", "Odbočka", "Přechod", "T-rör", "Avgrening", "Förminskning", "T-stykke",
        "Afgrening", "Straßenkappe eines Schiebers", "plug valve",
    ],
)  # fmt: skip
def test_what_neither_turns_nor_ends_a_main_is_known_also_beside_a_word_for_a_cap(
    text: str,
) -> None:
    assert fitting_kind(text) == "other"


@pytest.mark.parametrize("text", ["", "7", "xyzzy", "ELL", "Formstück", "unbekannt", "capacity"])
def test_other_words_are_of_no_kind(text: str) -> None:
    assert fitting_kind(text) == ""


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Prop. Sleeve", "other"), ("Prop Reducer", "other"), ("PROP. UNION", "other"),
        ("Prop Adapter", "other"), ("Prop Bend", "bend"), ("Prop. Manhole", ""),
        ("MK II Coupling", "other"), ("MK II", ""), ("TE Cap", "cap"), ("MMK Sleeve", "other"),
        ("Krok Valve", "other"),
    ],
)  # fmt: skip
def test_a_short_word_of_another_language_gives_way_to_english_ones(text: str, kind: str) -> None:
    assert fitting_kind(text) == kind


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Prop", "cap"), ("Prop 110 mm", "cap"), ("MK 45", "bend"), ("MQ-Stück 45", "bend"),
        ("MMK 11 1/4° GGG", "bend"), ("Krok PE", "bend"), ("Dop PVC", "cap"), ("TE", "other"),
        ("TE COM CAP", "other"),
    ],
)  # fmt: skip
def test_a_short_word_of_another_language_counts_where_no_english_one_is(
    text: str, kind: str
) -> None:
    assert fitting_kind(text) == kind


def test_every_word_is_there_once_as_words_are_compared_and_read_as_its_kind() -> None:
    table = rows("fitting_words")
    words = [(row["word"], row["kind"]) for row in table]
    assert len(set(words)) == len(words)
    assert [folded(word) for word, _ in words] == [word for word, _ in words]
    assert {row["source"].partition(",")[0] for row in table} == LANGUAGES
    meant = {"bend": ("bend",), "cap": ("cap",), "through": ("other",), "other": ("other", "cap")}
    assert [pair for pair in words if fitting_kind(pair[0]) not in meant[pair[1]]] == []
