"""Words on one-way traffic: which way it goes, and which words are not known."""

from __future__ import annotations

import pandas as pd
import pytest

from geotools.street.net import one_way


@pytest.mark.parametrize(
    ("word", "way", "unread"),
    [
        ("N", 0.0, False), ("n ", 0.0, False), ("no", 0.0, False), ("", 0.0, False),
        ("Y", 1.0, False), ("yes", 1.0, False), ("-1", -1.0, False), ("TF", -1.0, False),
        ("sometimes", 0.0, True), ("NB", 0.0, True),
    ],
)  # fmt: skip
def test_n_and_y_are_no_and_yes_and_words_nobody_knows_are_told(
    word: str, way: float, unread: bool
) -> None:
    found, strange = one_way(pd.DataFrame({"oneway": [word]}))
    assert (found.tolist(), strange.tolist()) == ([way], [unread])
