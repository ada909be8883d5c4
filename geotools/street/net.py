"""The streets as a network: centrelines chained straight on, with what crosses them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import Street
from geotools.intake.among import one_spelling
from geotools.intake.columns import Lines
from geotools.intake.traffic import one_way
from geotools.network.cells import Points
from geotools.network.noding import node_lines
from geotools.network.pieces import TOUCH
from geotools.network.places import Places
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    line_lengths,
    measures,
    number_within,
    offsets_of,
    row_of,
    spread_out,
    take,
)
from geotools.network.runs import Chains, build_chains
from geotools.network.thinned import Thinned, thin
from geotools.network.words import in_words
from geotools.street.alike import SLACK, Alike, Stretches, alike_stretches
from geotools.street.crossings import Crossings, node_crossings
from geotools.street.hooks import without_hooks
from geotools.street.nearest import StreetSegments
from geotools.street.precedence import first_of_two
from geotools.street.rings import LAPS, unrolled, with_western_nodes
from geotools.street.swings import swings

__all__ = ["BETWEEN_CLASSES", "NUMBERS", "TEXTS", "StreetNet", "build_streets", "on_record"]

TEXTS = ("class", "name")  # what a centreline says
NUMBERS = ("lanes", "width", "speed", "oneway")


@dataclass(frozen=True)
class StreetNet:
    """Streets chained by continuity, the code the mains are chained with.

    Attributes
    ----------
    table : DataFrame
        Attributes of the centrelines as read, gaps filled: ``class``, ``lanes``, ``width`` (m,
        carriageway), ``speed`` (m/s), ``name``, ``oneway`` (`one_way`).
    chains : Chains
        ``pieces['line']`` are rows of `table`.
    thinned : Thinned
        The chains thinned within the survey accuracy.
    lengths : ndarray
        Length of each chain as it is held, m.
    lap : ndarray
        Once round each chain that is a ring, m; infinite for the others. A ring is held some laps
        long (`rings`): places are found on the middle one, and what begins there has streets
        before it and behind.
    crossings : ndarray, shape (k, 2)
        Middles of the intersections.
    connections : DataFrame
        Intersections along the chains: ``run`` (chain), ``chainage``, ``node``, ``others`` and
        ``crossing_class``, the classes of the other streets there, `BETWEEN_CLASSES` them.
    unnoded : Crossings
        Where centrelines cross with no common node.
    """

    table: pd.DataFrame
    chains: Chains
    thinned: Thinned
    lengths: FloatArray
    lap: FloatArray
    crossings: FloatArray
    connections: pd.DataFrame
    unnoded: Crossings

    @cached_property
    def places(self) -> Places:
        """Return the vertices of the chains by chainage."""
        return Places.of_offsets(self.chains.offsets, measures(self.chains.xy, self.chains.offsets))

    @cached_property
    def once(self) -> BoolArray:
        """Return the vertices of the chains, and of rings those of the middle lap."""
        lap = np.repeat(self.lap, np.diff(self.chains.offsets))
        return (np.abs(self.places.at - LAPS / 2 * lap) <= lap / 2 + TOUCH) | np.isinf(lap)

    @property
    def alike(self) -> Alike:
        """Return the stretches of the chains along which the street stays as it is."""
        known = self._stretches
        return Alike(known.places, known.end, known.piece, self)

    @cached_property
    def _stretches(self) -> Stretches:
        return alike_stretches(self)

    @cached_property
    def swing(self) -> FloatArray:
        """Return the `swings` at the vertices of the chains."""
        return swings(self.chains.xy, self.chains.offsets)

    @cached_property
    def bent(self) -> FloatArray:
        """Return ``2 tan(t/2)`` of the turns either way before every vertex, summed, and of all."""
        return np.append(0.0, np.cumsum(np.abs(np.diff(self.swing, prepend=0.0))))

    def line_at(self, chain: IntArray, at: FloatArray) -> IntArray:
        """Return the centreline at places along chains, as rows of the table."""
        rows = self.chains.pieces["line"].to_numpy(dtype=np.int64)
        return np.asarray(rows[self.piece_of(chain, at)], dtype=np.int64)

    def piece_of(self, chain: IntArray, at: FloatArray, ends: BoolArray | None = None) -> IntArray:
        """Return the piece of places along chains; on a joint of two the one that comes first.

        Which of them begins there hangs on which way the chain goes, and so on where north is. If
        neither comes first it is the one that ends there where places are said to lie by that.
        """
        before, after = self._pieces.beside(chain, at, touch=TOUCH)
        line = self.chains.pieces["line"].to_numpy(dtype=np.int64)
        joint = np.flatnonzero(line[before] != line[after])
        sign = first_of_two(self.column, *(line[row[joint]] for row in (before, after)))
        by_end = False if ends is None else (sign == 0) & ends[joint]
        after[joint] = np.where((sign > 0) | by_end, before[joint], after[joint])
        return after

    def piece_begun(self, chain: IntArray, at: FloatArray, forward: BoolArray) -> IntArray:
        """Return the piece that a line from a place on lies in first; where two meet its own."""
        return self._pieces.begun(chain, at, forward, slack=SLACK)

    def pieces_along(
        self, chain: IntArray, low: FloatArray, high: FloatArray
    ) -> tuple[IntArray, IntArray]:
        """Return the pieces along stretches of chains: row of the stretch, and piece."""
        first = self._pieces.holding(chain, low + TOUCH)
        last = np.maximum(self._pieces.search(chain, high - TOUCH, "left"), first + 1)
        row, place = spread_out(last - first)
        return row, first[row] + place

    def pieces_at_node(self, chain: IntArray, at: FloatArray, forward: BoolArray) -> IntArray:
        """Return the piece that leaves nodes along chains or back along them.

        A node lies in the middle of what of a gap is bridged there; a piece begins behind it.
        """
        behind = self._pieces.search(chain, at - TOUCH, "left")
        row = np.where(forward, behind, behind - 1)
        bounds = self._pieces.offsets
        return np.asarray(np.clip(row, bounds[chain], bounds[chain + 1] - 1), dtype=np.int64)

    def least_width(self, chain: IntArray, at: FloatArray) -> FloatArray:
        """Return the width at places along chains, m; on a joint of two that of the narrower."""
        line = self.chains.pieces["line"].to_numpy(dtype=np.int64)
        width = self.column("width")
        both = self._pieces.beside(chain, at, touch=TOUCH)
        return np.asarray(np.minimum(*(width[line[row]] for row in both)), dtype=np.float64)

    def reversed_at(self, chain: IntArray, at: FloatArray) -> npt.NDArray[np.bool_]:
        """Return whether chains go against the centreline as drawn at places along them."""
        rows = self.chains.pieces["reversed"].to_numpy(dtype=bool)
        if not len(rows):
            return np.zeros(len(at), dtype=bool)
        return np.asarray(rows[self.piece_of(chain, at)], dtype=np.bool_)

    @cached_property
    def segments(self) -> StreetSegments:
        """Return the straight segments of the chains."""
        rows = row_of(self.chains.offsets)
        first = np.flatnonzero((rows[1:] == rows[:-1]) & self.once[1:] & self.once[:-1])
        return StreetSegments(first, rows[first], self.chains.xy)

    @cached_property
    def _half(self) -> FloatArray:
        """Return half the carriageway of each of the segments, m."""
        first, at = self.segments.first, self.places.at
        middle = (at[first] + at[first + 1]) / 2
        return np.asarray(self.column("width")[self.line_at(self.segments.chain, middle)] / 2)

    def wide_segments(self, reach: float) -> tuple[StreetSegments, FloatArray, IntArray]:
        """Return the segments with carriageway farther off than a reach, m, if there are any.

        And half the carriageway of each, m, and their rows among all segments.
        """
        if reach not in self._wide:
            none = self.column("width").max(initial=0.0) / 2 <= reach
            row = np.flatnonzero(np.zeros(0) if none else self._half > reach)
            some = StreetSegments(
                self.segments.first[row], self.segments.chain[row], self.chains.xy
            )
            self._wide[reach] = some, np.zeros(0) if none else self._half[row], row
        return self._wide[reach]

    @cached_property
    def _wide(self) -> dict[float, tuple[StreetSegments, FloatArray, IntArray]]:
        return {}

    def column(self, name: str) -> npt.NDArray[Any]:
        """Return a column of the table."""
        return self._columns[name]

    @cached_property
    def _columns(self) -> dict[str, npt.NDArray[Any]]:
        table = self.table
        return {
            **{name: _shared(table[name]) for name in TEXTS},
            **{name: table[name].to_numpy(dtype=float) for name in NUMBERS},
        }

    def at_rest(self) -> StreetNet:
        """Return the streets without the tree of intersections; it is made when asked for."""
        net = replace(self)
        vars(net).update({n: made for n, made in vars(self).items() if n != "crossing_points"})
        return net

    @cached_property
    def crossing_points(self) -> Points:
        """Return the middles of the intersections, to be looked up."""
        return Points(self.crossings)

    @cached_property
    def _pieces(self) -> Places:
        pieces = self.chains.pieces
        start = pieces["start"].to_numpy(dtype=float)
        return Places.of(pieces["run"].to_numpy(), start, len(self.chains))


def _shared(texts: pd.Series) -> npt.NDArray[np.object_]:
    """Return texts as objects, rows of equal text the same one: there are few, and many rows."""
    code, words = pd.factorize(texts, use_na_sentinel=False)
    found: npt.NDArray[np.object_] = np.asarray(words, dtype=object)[code]
    return found


def build_streets(streets: Lines, rules: Street, *, tolerance: float, accuracy: float) -> StreetNet:
    """Chain the streets.

    Parameters
    ----------
    streets : Lines
    rules : Street
        Section of the brief: defaults for what a centreline does not say.
    tolerance, accuracy : float
        Snap tolerance and survey accuracy, m.
    """
    graph, unnoded = node_crossings(
        node_lines(streets.xy, streets.offsets, tolerance=tolerance),
        tolerance=tolerance,
        meet=rules.crossing_without_node == "intersection",
    )
    graph = with_western_nodes(without_hooks(graph))
    names = streets.table["name"].fillna("").astype(str).to_numpy()
    rank = np.unique(names, return_inverse=True)[1][graph.line]
    chains = build_chains(
        graph,
        eligible=np.ones(len(graph), dtype=bool),
        diameter=np.ones(len(graph)),
        rank=rank.astype(np.int64),
        diameter_tolerance=0.0,
        max_turn=rules.max_turn,
    )
    table = _filled(streets.table, rules)
    kinds = table["class"].to_numpy(dtype=str)[graph.line]
    crossed = _crossed(chains, graph.ends, kinds)
    chains, crossed, lap = unrolled(_asked_for(chains), crossed)
    return StreetNet(
        table=in_words(table, TEXTS),
        chains=chains,
        thinned=thin(chains.xy, chains.offsets, accuracy=accuracy),
        lengths=line_lengths(chains.xy, chains.offsets),
        lap=lap,
        crossings=np.asarray(graph.node_xy[graph.degrees() >= 3], dtype=np.float64),
        connections=crossed,
        unnoded=unnoded,
    )


def _asked_for(chains: Chains) -> Chains:
    """Leave of the chains what the streets are looked up by; `StreetNet` has its connections."""
    pieces = chains.pieces[["run", "line", "reversed", "start"]].copy()
    return replace(chains, pieces=pieces, connections=chains.connections.iloc[:0].copy())


def on_record(table: pd.DataFrame) -> dict[str, BoolArray]:
    """Return by field which centrelines say their class, lanes, width and speed, and make sense."""
    known = {
        "class": table["class"].fillna("").astype(str).str.strip() != "",
        "lanes": table["lanes"].astype(float) >= 1,
        "width": table["width"].astype(float) > 0,
        "speed": table["speed"].astype(float) > 0,
    }
    return {name: said.to_numpy(dtype=bool) for name, said in known.items()}


def _filled(table: pd.DataFrame, rules: Street) -> pd.DataFrame:
    """Fill what a centreline does not say with the brief's defaults."""
    known = on_record(table)
    kind = one_spelling(table["class"])
    lanes = table["lanes"].astype(float).where(known["lanes"], rules.default_lanes).round()
    width, speed = table["width"].astype(float), table["speed"].astype(float)
    return pd.DataFrame(
        {
            "class": kind.where(kind != "", "unclassified").to_numpy(dtype=object),
            "lanes": lanes.to_numpy(dtype=np.int64),
            "width": width.where(known["width"], lanes * rules.lane_width).to_numpy(dtype=float),
            "speed": speed.where(known["speed"], rules.default_speed).to_numpy(dtype=float),
            "name": table["name"].fillna("").astype(str).to_numpy(dtype=object),
            "oneway": one_way(table)[0],
        }
    )


BETWEEN_CLASSES = "\x1f"  # the separator of units, which no class has in its name


def _crossed(chains: Chains, ends: IntArray, kinds: npt.NDArray[np.str_]) -> pd.DataFrame:
    """Say of every intersection on a chain which classes of street meet it there.

    Where a chain meets none but itself that is its own.
    """
    table = chains.connections
    words, kind = np.unique(kinds, return_inverse=True)
    row, edge = _edges_there(table["node"].to_numpy(dtype=np.int64), ends)
    chain = np.full(len(ends), -1, dtype=np.int64)
    chain[chains.pieces["edge"]] = chains.pieces["run"]
    other = chain[edge] != table["run"].to_numpy(dtype=np.int64)[row]
    again = np.bincount(row[other], minlength=len(table)) == 0
    meets = (chain[edge] >= 0) & (other | again[row])
    met = np.unique(row[meets] * len(words) + kind[edge[meets]])
    row, word = np.divmod(met, max(len(words), 1))
    said = _listed(row, words.astype(object)[word], len(table))
    return table.assign(crossing_class=said)


def _edges_there(node: IntArray, ends: IntArray) -> tuple[IntArray, IntArray]:
    """Return the edges that end at each of these nodes: row of the node, and edge."""
    of = ends.ravel()
    order = np.argsort(of, kind="stable")
    offsets = offsets_of(np.bincount(of).astype(np.int64))
    row = np.repeat(np.arange(len(node)), np.diff(offsets)[node])
    return row, order[take(offsets, node)] >> 1


def _listed(row: IntArray, words: npt.NDArray[np.object_], count: int) -> npt.NDArray[np.object_]:
    """Join the words of each row, sorted by row, with what no word has in it."""
    out = np.full(count, "", dtype=object)
    place = number_within(row)
    for nth in range(int(place.max(initial=-1)) + 1):
        at = place == nth
        out[row[at]] = out[row[at]] + (BETWEEN_CLASSES if nth else "") + words[at]
    return out
