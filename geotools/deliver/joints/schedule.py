"""The joint schedule: every fused joint of every string, where it ends up, how to make it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import declared
from geotools.deliver.joints.procedure import OwnProcedure, windows
from geotools.deliver.pull_mark import pull_marks
from geotools.deliver.tails import head_left
from geotools.errors import LayerError
from geotools.network.places import points_along
from geotools.network.ragged import FloatArray, IntArray, line_lengths, number_within, offsets_of
from geotools.pipe.catalogue import Carrier, contenders, custom_carrier
from geotools.pipe.fusion import gauge_pressure_pa, piece_count
from geotools.pipe.ranges import RangeError
from geotools.schema import OUTPUTS, length_text

if TYPE_CHECKING:
    from geotools.deliver.read_plan import PlanFile

__all__ = ["PULL_FIELDS", "Machine", "Schedule", "joint_schedule", "pieces_of", "wanted_pulls"]

PULL_FIELDS = ("pull_id", "run_id", "start", "end", "length", "direction")
_STRING_FIELDS = ("string_id", "pull_id", "number", "length")
# Strings must make up their pull to within what a written length is rounded by.
_CLOSE = 0.01


@dataclass(frozen=True)
class Schedule:
    """A joint schedule.

    Attributes
    ----------
    joints : GeoDataFrame
        The layer ``joints`` of the contract: bare names, SI, points in the CRS of the plan.
    gaps : tuple of str
        Pipes whose limits are not known, and what to give.
    tails : Series
        Carrier on top of the length in the host, both ends together, m, by ``pull_id``.
    notes : tuple of str
        What was counted for the tails, and on whose word.
    """

    joints: Any
    gaps: tuple[str, ...]
    tails: pd.Series[float]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Machine:
    """A fusion machine.

    Attributes
    ----------
    piston_area : float
        Total effective piston area, m2.
    drag : float
        Gauge pressure that just moves the carriage, Pa.
    """

    piston_area: float
    drag: float


def joint_schedule(
    plan: PlanFile,
    *,
    procedure: str = "f2620",
    own: OwnProcedure | None = None,
    tail: float | None = None,
    machine: Machine | None = None,
    only: Iterable[str] = (),
    units: str | None = None,
) -> Schedule:
    """List every fused joint of a plan.

    Parameters
    ----------
    plan : PlanFile
        With the layer ``strings``, or one string a pull.
    procedure : {"f2620", "iso_shp", "iso_slp"}, optional
        Fusing procedure of polyethylene.
    own : OwnProcedure, optional
        The user's written procedure, for the materials it names.
    tail : float, optional
        Carrier on top of the plan at the head and at the tail of every pull, m; what
        ``sections.leave_head`` and ``sections.leave`` order for the pull if not given.
    machine : Machine, optional
        The fusion machine; without it the pressures on its gauge stay empty.
    only : iterable of str, optional
        Runs or pulls wanted; all otherwise.
    units : {"si", "us"}, optional
        Units of the texts; those of the plan if not given.

    Returns
    -------
    Schedule
        Joints by pull and from the head, and gaps in the limits.

    Raises
    ------
    LayerError
        If the plan does not hold together.

    Notes
    -----
    A string is fused from whole pieces of ``pulls.piece_length``, from its head; its last piece
    is the remainder, or, were that shorter than ``pulls.least_piece``, shares with the one before.
    The head comes to rest at the edge of the receiving pit, or, where there are tails, its own into
    the pit, and half of what the strings are longer than the pull without tails. So the last string
    bears the tails of both ends, and those before it stay whole pieces. Where a pull has several
    strings, the joints between them are made in the insertion pit while the pull stands still.
    """
    pulls = _wanted(plan, only)
    units = units or plan.units
    tails = _tails(plan, pulls, tail, units)
    strings = _strings(plan, pulls, tails.both.to_numpy(dtype=float), units)
    made = _pieces(plan, strings)
    pipes, gaps = _pipes(plan, pulls, procedure, own, machine)
    table = _joints(pulls, strings, made, tails).join(pipes, on="run_id")
    table["pull_mark"] = table["pull_id"].map(_marks(pulls, pipes["carrier"], strings, made))
    names = [field.name for field in OUTPUTS["joints"].fields]
    return Schedule(_placed(plan, table[names]), gaps, tails.both, tails.notes)


def _pieces(plan: PlanFile, strings: pd.DataFrame) -> Pieces:
    return pieces_of(
        strings["row"].to_numpy(dtype=np.int64),
        strings["length"].to_numpy(dtype=float),
        piece=float(plan.setting("pulls.piece_length")),
        least=_least_piece(plan),
    )


def _least_piece(plan: PlanFile) -> float:
    """Return the shortest piece to be fused, m; the default where a plan is older than that."""
    key = "pulls.least_piece"
    if key not in plan.settings:
        return float(declared()[key].value)
    return float(plan.setting(key))


@dataclass(frozen=True)
class _Tails:
    """Carrier left out of the host of every pull, m, by ``pull_id``, and a word on it."""

    both: pd.Series[float]
    head: pd.Series[float]
    notes: tuple[str, ...]


def _tails(plan: PlanFile, pulls: pd.DataFrame, tail: float | None, units: str) -> _Tails:
    """Return the tail given, at each end, or else what the plan orders in its sections.

    Plans that do not say how much of it is at the head mean half.
    """
    ids = pd.Index(pulls["pull_id"], dtype=object)
    if tail is not None:
        text = f"{length_text(tail, units)} at each end of every pull, as given"
        each = pd.Series(tail, index=ids, dtype=float)
        return _Tails(2 * each, each, (text,))
    if "sections" not in plan.layers:
        text = "none: the plan has no layer sections; give what is left at each end with --tail"
        none = pd.Series(0.0, index=ids)
        return _Tails(none, none, (text,))
    told = plan.table("sections", ("pull_id", "leave", "leave_head")).set_index("pull_id")
    told = told[~told.index.duplicated()].reindex(ids)
    both = told["leave"].fillna(0.0).clip(lower=0.0)
    head = head_left(told).fillna(0.0).clip(lower=0.0, upper=both)
    if not len(both):
        return _Tails(both, head, ())
    halves = bool(np.allclose(head, both / 2))
    of = "half at each end" if halves else f"{_span(head, units)} of it at the head"
    notes = [f"{_span(both, units)} a pull, {of}, as the plan orders (leave in its sections)"]
    none = both.index[both <= 0].tolist()
    if none:
        notes.append(f"none ordered for {none[0]} ({len(none)} pull(s) so)")
    return _Tails(both, head, tuple(notes))


def _span(lengths: pd.Series[float], units: str) -> str:
    """Return the least and the greatest of lengths in words; one where they are alike."""
    low, high = (length_text(float(most), units) for most in (lengths.min(), lengths.max()))
    return low if low == high else f"{low} to {high}"


@dataclass(frozen=True)
class Pieces:
    """Pieces of pipe in the order they go into the host, pull by pull.

    Attributes
    ----------
    string : ndarray of int
        Row of the string each piece is in.
    length : ndarray of float
        m.
    end : ndarray of float
        Distance of its rear end behind the head of the pull, m.
    last_of_string, last_of_pull : ndarray of bool
    """

    string: IntArray
    length: FloatArray
    end: FloatArray
    last_of_string: npt.NDArray[np.bool_]
    last_of_pull: npt.NDArray[np.bool_]


def pieces_of(pull: IntArray, length: FloatArray, *, piece: float, least: float = 0.0) -> Pieces:
    """Cut strings into pieces: whole ones from the head, the remainder last.

    A remainder that no machine can clamp is made longer by the piece before it: the two are made
    alike, and there are as many joints.

    Parameters
    ----------
    pull : ndarray of int, shape (strings,)
        Row of the pull each string is for, ascending; strings of a pull in the order they are
        joined on.
    length : ndarray of float, shape (strings,)
        m.
    piece : float
        Length of a piece, m.
    least : float, optional
        Shortest piece that is fused, m; half of `piece` is enough at most. A string shorter than
        that is one piece all the same.
    """
    count = np.maximum(piece_count(length, piece), 1).astype(np.int64)
    string = np.repeat(np.arange(len(length)), count)
    last = np.zeros(len(string), dtype=bool)
    last[np.cumsum(count) - 1] = True
    rest = length - (count - 1) * piece
    own = np.where(last, rest[string], piece)
    short = np.flatnonzero((rest < min(least, piece / 2)) & (count > 1))
    final_piece = np.cumsum(count)[short] - 1
    own[final_piece] = own[final_piece - 1] = (piece + rest[short]) / 2
    of_pull = pull[string]
    along = np.cumsum(own)
    first = np.searchsorted(of_pull, of_pull, side="left")
    before = np.concatenate([[0.0], along])[first]
    final = np.append(of_pull[1:] != of_pull[:-1], True) if len(of_pull) else last
    return Pieces(string, own, along - before, last, final)


def wanted_pulls(plan: PlanFile, only: Iterable[str] = ()) -> list[str]:
    """Return the identifiers of the pulls of these runs and pulls; all if none is named.

    Raises
    ------
    LayerError
        If there is no such run or pull.
    """
    return [str(name) for name in _wanted(plan, only)["pull_id"]]


def _wanted(plan: PlanFile, only: Iterable[str]) -> Any:
    """Return the pulls asked for."""
    pulls = plan.table("pulls", PULL_FIELDS)
    twice = pulls.loc[pulls["pull_id"].duplicated(), "pull_id"].tolist()
    if twice:
        raise LayerError(str(plan.path), f"layer pulls has {twice[0]} more than once")
    wishes = set(only)
    lost = sorted(wishes - set(pulls["pull_id"]) - set(pulls["run_id"]))
    if lost:
        raise LayerError(str(plan.path), f"there is no run or pull {', '.join(lost)}")
    if wishes:
        pulls = pulls[pulls["pull_id"].isin(wishes) | pulls["run_id"].isin(wishes)]
    wrong = pulls.loc[~(pulls["length"] > 0) | (pulls["end"] <= pulls["start"]), "pull_id"]
    if len(wrong):
        raise LayerError(str(plan.path), f"layer pulls: {wrong.iloc[0]} has no length")
    return pulls.reset_index(drop=True)


def _strings(
    plan: PlanFile, pulls: pd.DataFrame, tails: npt.NDArray[Any], units: str
) -> pd.DataFrame:
    """Return the strings in the order they go in; one a pull where the plan says nothing.

    The last of every pull is longer than planned by the tails of both ends.
    """
    row = {pull: k for k, pull in enumerate(pulls["pull_id"])}
    single = pd.DataFrame(
        {
            "string_id": pulls["pull_id"] + "-S1",
            "row": np.arange(len(pulls)),
            "number": 1,
            "length": pulls["length"],
        }
    )
    strings = single
    if "strings" in plan.layers:
        laid = plan.table("strings", _STRING_FIELDS).drop(columns="geometry")
        laid = laid[laid["pull_id"].isin(row)]
        laid = laid.assign(row=laid["pull_id"].map(row).astype(np.int64))
        bare = single[~single["row"].isin(laid["row"])]
        strings = pd.concat([laid[list(single.columns)], bare], ignore_index=True)
    strings = strings.sort_values(["row", "number"], kind="stable").reset_index(drop=True)
    _check_strings(plan, pulls, strings, units)
    last = ~strings["row"].duplicated(keep="last")
    more = np.where(last, tails[strings["row"].to_numpy(dtype=np.int64)], 0.0)
    return strings.assign(length=strings["length"] + more)


def _check_strings(plan: PlanFile, pulls: pd.DataFrame, strings: pd.DataFrame, units: str) -> None:
    """Refuse strings that have no length or are too short for their pull."""
    total = np.zeros(len(pulls))
    np.add.at(total, strings["row"].to_numpy(), strings["length"].to_numpy(dtype=float))
    length = pulls["length"].to_numpy(dtype=float)
    short = ~(total >= length - _CLOSE)
    short[strings.loc[~(strings["length"] > 0), "row"].to_numpy(dtype=np.int64)] = True
    if short.any():
        k = int(np.flatnonzero(short)[0])
        made, whole = (length_text(float(rows[k]), units, 2) for rows in (total, length))
        raise LayerError(
            str(plan.path),
            f"layer strings: those of {pulls['pull_id'].iloc[k]} make {made} of its {whole} "
            f"({short.sum()} pull(s) so); plan again",
        )


def _joints(
    pulls: pd.DataFrame, strings: pd.DataFrame, made: Pieces, tails: _Tails
) -> pd.DataFrame:
    """Return a joint behind every piece that is not the last of its pull."""
    at = np.flatnonzero(~made.last_of_pull)
    ids = strings["string_id"].to_numpy(dtype=object)
    of_pull = strings["row"].to_numpy(dtype=np.int64)
    row = of_pull[made.string[at]]
    number = number_within(row) + 1
    ahead = pulls["direction"].to_numpy(dtype=object)[row] == "ahead"
    # the head lies at the end of a pull ahead, at the start of a pull behind
    surplus = np.bincount(made.string, weights=made.length, minlength=len(strings))
    over = np.bincount(of_pull, weights=surplus, minlength=len(pulls)) - pulls["length"]
    longer = np.maximum(over.to_numpy(dtype=float) - tails.both.to_numpy(dtype=float), 0.0)
    out = (tails.head.to_numpy(dtype=float) + longer / 2)[row]
    start, end = (pulls[n].to_numpy(dtype=float)[row] for n in ("start", "end"))
    behind_head = made.end[at] - out
    front, rear = made.length[at], made.length[at + 1]
    pull_id = pulls["pull_id"].to_numpy(dtype=object)[row]
    return pd.DataFrame(
        {
            "joint_id": [f"{p}-J{n}" for p, n in zip(pull_id, number, strict=True)],
            "run_id": pulls["run_id"].to_numpy(dtype=object)[row],
            "pull_id": pull_id,
            "string_id": ids[made.string[at + 1]],
            "number": number,
            "chainage": np.where(ahead, end - behind_head, start + behind_head),
            "intermediate": made.last_of_string[at],
            "piece_before": np.where(ahead, rear, front),
            "piece_after": np.where(ahead, front, rear),
        }
    )


def _marks(
    pulls: Any, carrier: pd.Series[str], strings: pd.DataFrame, made: Pieces
) -> pd.Series[str]:
    """Return the mark of every pull by its identifier."""
    of_pull = strings["row"].to_numpy(dtype=np.int64)[made.string]
    pieces = pd.DataFrame({"row": of_pull, "length": made.length, "last": made.last_of_string})
    pipe = carrier.loc[pulls["run_id"]].to_numpy(dtype=object)
    return pd.Series(pull_marks(pulls, pipe, pieces), index=pulls["pull_id"], dtype=object)


def _pipes(
    plan: PlanFile,
    pulls: pd.DataFrame,
    procedure: str,
    own: OwnProcedure | None,
    machine: Machine | None,
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the pipe of every run that is pulled, with its window, and what is not known.

    The pressures on the gauge are those of the machine.
    """
    runs = plan.table("runs", ("run_id", "carrier")).set_index("run_id")["carrier"]
    used = pulls["run_id"].unique()
    lost = [str(run) for run in used if run not in runs.index]
    if lost or runs.index.has_duplicates:
        what = f"lacks {', '.join(lost)} of layer pulls" if lost else "has a run more than once"
        raise LayerError(str(plan.path), f"layer runs {what}")
    chosen = runs.loc[used]
    pipes = _catalogue(plan, sorted(set(chosen)))
    found = windows(pipes, procedure=procedure, own=own)
    of_pipe = pd.DataFrame(
        {
            "carrier": [pipe.name for pipe in pipes],
            "material": [pipe.material for pipe in pipes],
            "outside": [pipe.outside_m for pipe in pipes],
            "wall": [pipe.wall_min_m for pipe in pipes],
            "dr": [pipe.dr for pipe in pipes],
        }
    ).join(found.table)
    row = of_pipe.set_index("carrier").index.get_indexer(chosen)
    return _with_gauge(of_pipe.iloc[row].set_index(chosen.index), machine), found.gaps


def _with_gauge(pipes: pd.DataFrame, machine: Machine | None) -> pd.DataFrame:
    """Add the pressures on the gauge of a machine, Pa; NaN where there is none, or no limit."""
    out = {}
    for name in ("_low", "", "_high"):
        between = pipes[f"interfacial{name}"].to_numpy(dtype=float)
        gauge = np.full(len(pipes), np.nan)
        known = np.flatnonzero(np.isfinite(between))
        if machine is not None and len(known):
            outside, wall = (pipes[n].to_numpy(dtype=float)[known] for n in ("outside", "wall"))
            try:
                gauge[known] = gauge_pressure_pa(
                    outside,
                    wall,
                    machine.piston_area,
                    interfacial_pa=between[known],
                    drag_pa=machine.drag,
                )
            except RangeError as error:
                raise LayerError("pressure on the gauge", str(error)) from error
        out[f"gauge{name}"] = gauge
    return pipes.assign(**out)


def _catalogue(plan: PlanFile, names: list[str]) -> list[Carrier]:
    """Return the pipes of these names, the plan's own among them."""
    own = [
        custom_carrier(p.name, material=p.material, outside_m=p.outside, wall_min_m=p.wall)
        for p in plan.setting("carrier.own") or ()
    ]
    known = {pipe.name: pipe for pipe in contenders(extra=own)}
    lost = [name for name in names if name not in known]
    if lost:
        raise LayerError(
            str(plan.path),
            [f"layer runs: no pipe is called {name!r}; plan again" for name in lost],
        )
    return [known[name] for name in names]


def _placed(plan: PlanFile, table: pd.DataFrame) -> Any:
    """Return the joints as points on the host axis; those in a pit at the run's end, there."""
    import geopandas

    runs = plan.table("runs", ("run_id", "length"))
    measured = runs.to_crs(runs.estimate_utm_crs()) if plan.crs.is_geographic else runs
    xy, index = shapely.get_coordinates(measured.geometry.to_numpy(), return_index=True)
    offsets = offsets_of(np.bincount(index, minlength=len(runs)))
    if len(table) and (np.diff(offsets) < 2).any():
        raise LayerError(str(plan.path), "layer runs has a run without geometry; plan again")
    row = pd.Index(runs["run_id"]).get_indexer(table["run_id"])
    # the line may be drawn in a CRS whose lengths are not true
    share = table["chainage"].to_numpy(dtype=float) / runs["length"].to_numpy(dtype=float)[row]
    points = points_along(xy, offsets, row, share * line_lengths(xy, offsets)[row])
    placed = geopandas.GeoDataFrame(table, geometry=shapely.points(points), crs=measured.crs)
    return placed.to_crs(plan.crs)
