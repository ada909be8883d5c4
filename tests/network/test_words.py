"""Texts held as numbers of words: the same texts, in a byte or two each."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.deliver.columns import content_hash
from geotools.network.words import (
    by_word,
    in_words,
    joined,
    numbered,
    plain,
    rows_in_order,
    rows_joined,
    worded,
)


def test_words_of_several_tables_are_joined_and_stay_the_same_texts() -> None:
    parts = [["b", "a", "b"], [], [None, "c", "a"], [None]]
    columns = [pd.Series(part, dtype=object) for part in parts]
    held = pd.Series(joined([pd.Series(pd.Categorical(column)) for column in columns]))
    assert isinstance(held.dtype, pd.CategoricalDtype)
    assert sorted(held.cat.categories) == ["a", "b", "c"]
    due = pd.concat(columns, ignore_index=True)
    assert held.astype(object).where(held.notna(), None).tolist() == due.tolist()
    assert list(joined(columns)) == due.tolist()  # not held so: as they are


def test_rows_are_joined_column_by_column() -> None:
    one = pd.DataFrame({"run": [1, 2], "kind": ["x", "y"]})
    two = pd.DataFrame({"run": [3], "kind": ["x"]})
    whole = rows_joined([in_words(one, ["kind", "none"]), in_words(two, ["kind", "none"])])
    assert whole["run"].tolist() == [1, 2, 3] and whole["run"].dtype == np.int64
    assert whole["kind"].tolist() == ["x", "y", "x"]
    assert whole["kind"].cat.codes.dtype == np.int8


def test_numbers_stay_of_their_kind_and_what_differs_is_joined_as_tables_are() -> None:
    whole, halves = pd.Series([1, 2]), pd.Series([0.5])
    assert joined([whole, whole]).dtype == np.int64
    assert np.array_equal(joined([whole, halves]), [1.0, 2.0, 0.5])
    assert joined([pd.Series([True]), pd.Series([False])]).dtype == np.bool_


def test_rows_in_order_are_those_of_the_tables_one_after_the_other() -> None:
    parts = [pd.DataFrame({"n": [3, 1], "w": ["c", "a"]}), pd.DataFrame({"n": [2], "w": ["b"]})]
    parts = [in_words(part, ["w"]) for part in parts]
    held = rows_in_order(parts, np.array([1, 2, 0]))
    assert held["n"].tolist() == [1, 2, 3] and held["w"].tolist() == ["a", "b", "c"]
    assert isinstance(held["w"].dtype, pd.CategoricalDtype) and not parts


def test_a_word_is_asked_of_once_and_none_where_there_is_none() -> None:
    asked: list[str | None] = []

    def size(word: str | None) -> int:
        asked.append(word)
        return -1 if word is None else len(word)

    texts = np.array(["ab", None, "c", "ab"], dtype=object)
    for held in (texts, pd.Series(pd.Categorical(texts)), pd.Series(texts, dtype=object)):
        asked.clear()
        assert by_word(held, size).tolist() == [2, -1, 1, 2]
        assert sorted(map(str, asked)) == ["None", "ab", "c"]
    number, words = numbered(texts)
    assert [words[n] if n >= 0 else None for n in number] == texts.tolist()


def test_equal_words_are_one_and_minus_one_is_none() -> None:
    texts = worded(np.array(["a", "b", "a"], dtype=object), np.array([2, 0, 1, -1]))
    assert pd.Series(texts).astype(object).tolist()[:3] == ["a", "a", "b"]
    assert pd.isna(texts[3]) and list(texts.categories) == ["a", "b"]


def test_numbers_of_words_are_written_and_hashed_as_the_texts() -> None:
    fields = {"severity": "info", "rule": "r", "layer": ["mains", "", None], "feature": "f"}
    plain = pd.DataFrame({**fields, "text": ["a", "b", "a"], "geometry": None})
    held = in_words(plain, ["severity", "layer", "text"])
    assert content_hash({"findings": held}) == content_hash({"findings": plain})
    other = in_words(plain.assign(text=["a", "b", "b"]), ["text"])
    assert content_hash({"findings": other}) != content_hash({"findings": plain})


def test_numbers_of_few_values_are_held_as_such_and_are_the_same_again() -> None:
    few = np.tile([1.5, np.nan, -0.25, 3.0], 30)
    many = np.linspace(0.0, 1.0, 120)
    table = pd.DataFrame({"few": few, "many": many, "whole": np.arange(120) % 3, "text": "a"})
    held = in_words(table, ("few", "many", "whole", "text", "absent"))
    kinds = held.dtypes.astype(str).to_dict()
    assert kinds == {"few": "category", "many": "float64", "whole": "category", "text": "category"}
    twice = rows_joined([held, held.iloc[:7]])
    again = plain(twice)
    wanted = pd.concat([table, table.iloc[:7]], ignore_index=True)
    pd.testing.assert_frame_equal(again, wanted.astype({"text": "str"}))


def test_what_has_no_word_has_none_in_plain_texts_either() -> None:
    held = pd.DataFrame({"kind": worded(np.array(["a", "b"], dtype=object), np.array([1, -1, 0]))})
    kind = plain(held)["kind"]
    assert kind.isna().tolist() == [False, True, False]
    assert kind.dropna().tolist() == ["b", "a"]
    assert kind.dtype == pd.Series(["a"]).dtype
