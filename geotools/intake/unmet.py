"""Unmet: words of the brief's lists that nothing in the layers bears, likely misspelt there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from geotools.brief import Brief, Network, Rates, Street
from geotools.intake.faults import nearest
from geotools.intake.findings import Findings
from geotools.intake.identity import UNREADABLE
from geotools.intake.idle import LAYERS as IDLE
from geotools.intake.load import Loaded
from geotools.lists import listed
from geotools.pipe.names import folded, spaced

__all__ = ["tell_unmet"]

ALIKE = 0.7  # share of letters two words have in common from which one may be meant for the other
SHOWN = 10  # words of a column named in a text


@dataclass(frozen=True)
class _Asked:
    """A list of the brief, the words of its default, and the field its words are looked for in.

    A word that is not met matters also where none like it is if ``sure``: nothing else tells what
    is then done with the features meant.
    """

    setting: str
    words: Sequence[str]
    usual: Sequence[str]
    layers: Sequence[str]
    field: str
    sure: bool = False


def tell_unmet(loaded: Mapping[str, Loaded], brief: Brief, findings: Findings) -> None:
    """Tell the words of the brief's lists that no feature bears; those of the defaults may not.

    Of whole layers only: in a window of them a word may well be missing.
    """
    for asked in _lists(brief):
        layers = [name for name in asked.layers if name in loaded]
        usual = {folded(word) for word in asked.usual}
        words = {folded(word): word for word in asked.words}
        if not layers or words.keys() <= usual:
            continue
        met = _met(loaded, layers, asked)
        unmet = [w for plain, w in words.items() if plain not in usual and plain not in met]
        if not unmet or not (met or asked.sure):
            continue
        others = [word for plain, word in met.items() if plain not in words]
        near = {
            word: nearest(word, [o for o in others if not _opposites(word, o)], cutoff=ALIKE)
            for word in unmet
        }
        findings.add(
            "warning" if asked.sure or any(near.values()) else "info",
            "word-not-met",
            _text(asked, layers, near, list(met.values())),
            layer=layers[0],
            field=asked.field,
        )


def _lists(brief: Brief) -> Iterator[_Asked]:
    network, street = brief.network, brief.street

    def usual(section: type[Network | Street], name: str) -> list[str]:
        return list(section.model_fields[name].default)

    name = "excluded_owners"
    yield _Asked(f"network.{name}", network.excluded_owners, [], ["mains"], "owner", sure=True)
    name = "excluded_statuses"
    layers = ["mains", *IDLE]
    yield _Asked(
        f"network.{name}", network.excluded_statuses, usual(Network, name), layers, "status"
    )
    for name in ("excluded_classes", "no_block"):
        words = getattr(street, name)
        yield _Asked(f"street.{name}", words, usual(Street, name), ["streets"], "class")
    rates = [rate.street for rate in brief.rates.lane_day]
    known = [rate.street for rate in Rates().lane_day]
    yield _Asked("rates.lane_day", rates, known, ["streets"], "class")


def _met(loaded: Mapping[str, Loaded], layers: Sequence[str], asked: _Asked) -> dict[str, str]:
    """Return the words there are, as they are compared, and one spelling of each."""
    found: dict[str, str] = {}
    for name in layers:
        said = pd.unique(loaded[name].table[asked.field])
        for word in sorted(str(word) for word in said[~pd.isna(said)]):
            if word.strip():
                found.setdefault(folded(word), word.strip())
    return found


def _opposites(one: str, other: str) -> bool:
    """Tell whether one of two words is the other with something before it: inactive and active."""
    short, long = sorted((spaced(one), spaced(other)), key=len)
    return long != short and long.endswith(short)


def _text(
    asked: _Asked, layers: Sequence[str], near: Mapping[str, str | None], met: Sequence[str]
) -> str:
    told = [f"{w!r}" + (_hint(n) if n else "") for w, n in near.items()]
    lost = any(n and UNREADABLE in n for n in near.values())
    do = (
        f"state how the letters of the file are written, with encoding under [inputs.{layers[0]}]"
        if lost
        else "write it as it is there, or take it out"
    )
    there = listed([repr(word) for word in met], most=SHOWN)
    return (
        f"{asked.setting}: nothing in {', '.join(layers)} is of {asked.field} {', '.join(told)}, "
        f"so that nothing comes of it; there is {there or f'no {asked.field} at all'}; {do}"
    )


def _hint(near: str) -> str:
    if UNREADABLE in near:
        return f" (perhaps {near!r}, letters of which could not be read)"
    return f" (did you mean {near!r}?)"
