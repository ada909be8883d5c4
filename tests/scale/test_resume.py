"""What a batch says of each district when it goes on with an earlier one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from geotools.scale.manifest import Entry
from geotools.scale.resume import Fate, fate_of

DONE = Entry("done", {"mains": "1", "dem": "2", "avoid": "3"}, "a.gpkg", "hash")


@pytest.mark.parametrize(
    ("last", "whole", "fate"),
    [
        (DONE, True, Fate("kept")),
        (replace(DONE, sha256="other"), True, Fate("kept", renewed=True)),
        (DONE, False, Fate("file_lost")),
        (None, False, Fate("new")),
        (Entry("empty"), False, Fate("new")),
        (Entry("failed", error="no"), False, Fate("failed_before")),
        (Entry("set_aside", error="no"), False, Fate("failed_before")),
        (replace(DONE, key={**DONE.key, "dem": "9"}), True, Fate("changed", ("dem",))),
        (replace(DONE, key={"mains": "0", "dem": "2"}), True, Fate("changed", ("mains", "avoid"))),
        (replace(DONE, key={**DONE.key, "streets": "4"}), True, Fate("changed", ("streets",))),
        (replace(DONE, key={}), True, Fate("changed")),  # by another version: nothing is known
    ],
)  # fmt: skip
def test_a_district_is_kept_only_if_all_of_its_key_and_its_file_are_as_they_were(
    last: Entry | None, whole: bool, fate: Fate
) -> None:
    assert fate_of(DONE, last, whole=whole) == fate


def test_a_district_that_fails_now_was_not_kept_and_an_empty_one_has_no_fate() -> None:
    assert fate_of(Entry("failed", error="no"), DONE, whole=True) == Fate("changed")
    assert fate_of(Entry("empty"), DONE, whole=False) == Fate("")
