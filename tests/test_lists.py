"""Lists: names told in a text."""

from __future__ import annotations

from geotools.lists import listed


def test_of_many_names_the_first_are_told_and_how_many_more_there_are():
    assert listed(["a", "b", "c"], most=2) == "a, b and 1 more"
    assert listed(["a", "b"], most=2) == listed(["a", "b"]) == "a, b"
    assert listed([]) == ""
