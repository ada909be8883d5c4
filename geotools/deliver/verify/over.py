"""Which pits and digs of their own run strings lie over, by pull."""

from __future__ import annotations

import shapely

from geotools.deliver.verify.plan import GEOMETRY, Plan

__all__ = ["HOLE", "TOUCH", "over_digs", "over_pits"]

HOLE = 0.5  # m; half of what is dug up at a service or a tee
ROUNDED = 1e-3  # m; a place so near the edge of a string's ground may lie on it or not
TOUCH = 0.011  # m2; a hair above the ground shared that counts as lying on it
Over = dict[str, set[str]]


def over_pits(plan: Plan) -> Over:
    """Return by pull the pits that its strings lie over, but for the one they go into."""

    def make() -> Over:
        own = {pull.pull_id: pull.insertion_pit for pull in plan.rows("pulls")}
        strings, prints = plan.rows("strings"), plan.rows("pit_footprints")
        tree = shapely.STRtree(plan.table("pit_footprints")[GEOMETRY].to_numpy(dtype=object))
        out: Over = {}
        for string in strings:
            for k in tree.query(string.geometry, predicate="intersects").tolist():
                pit, shared = prints[k], shapely.intersection(string.geometry, tree.geometries[k])
                other = pit.run_id == string.run_id and pit.pit_id != own.get(string.pull_id)
                if other and shapely.area(shared) > TOUCH:
                    out.setdefault(string.pull_id, set()).add(pit.pit_id)
        return out

    return plan.once("strings over pits", make)


def over_digs(plan: Plan) -> Over:
    """Return by pull the other pulls of its run whose digs its strings lie over, or nearly."""

    def make() -> Over:
        dug = [row for row in plan.rows("local_digs") if row.pull_id and not row.spared]
        tree = shapely.STRtree([row.geometry for row in dug])
        out: Over = {}
        for string in plan.rows("strings"):
            near = tree.query(string.geometry, predicate="dwithin", distance=HOLE + ROUNDED)
            for row in (dug[k] for k in near.tolist()):
                if row.run_id == string.run_id and row.pull_id != string.pull_id:
                    out.setdefault(string.pull_id, set()).add(row.pull_id)
        return out

    return plan.once("strings over digs", make)
