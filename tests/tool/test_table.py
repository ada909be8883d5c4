"""Tables for a reader."""

from __future__ import annotations

from geotools.text_table import table


def test_numbers_stand_to_the_right_and_gaps_do_not_break_that() -> None:
    assert table(("name", "count"), [("mains", 12), ("dem", "")]) == (
        "name   count\n-----  -----\nmains     12\ndem"
    )


def test_lines_in_a_text_do_not_break_a_row() -> None:
    assert table(("a", "b"), [("x\ny", "z")]).splitlines()[2] == "x y  z"


def test_table_without_rows_is_its_head() -> None:
    assert table(("a", "b"), []) == "a  b\n-  -"
