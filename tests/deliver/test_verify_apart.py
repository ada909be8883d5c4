"""What `verify` works out by itself and what it looks up where the planner does."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

import geotools
from geotools.deliver.verify.formulas import ramp_ground
from geotools.pipe.pits import SLOPE_OVER_M, farthest_reach_m, ground_reach_m

VERIFY = Path(geotools.__file__).parent / "deliver" / "verify"
LOOKED_UP = {  # tables of the trade, told of in README and guide; anything else is a formula
    "Carrier", "apparent_modulus_pa", "contenders", "folded", "friction_band",
    "highest_temperature_c", "least_radius_m", "material_property", "modulus_temperature_factor",
    "slope_ratio", "temperature_factor", "tension_temperature_factor", "valve_kind",
}  # fmt: skip
OF_THE_PLANNER = ("network", "street", "siting", "pulls", "estimate")


def _imported() -> dict[str, set[str]]:
    """Return the names that the modules of verify import, by the module they are from."""
    found: dict[str, set[str]] = {}
    for path in VERIFY.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module:
                found.setdefault(node.module, set()).update(alias.name for alias in node.names)
    return found


def test_verify_shares_with_the_planner_what_is_looked_up_and_no_formula() -> None:
    imported = _imported()
    shared = {
        name
        for module, names in imported.items()
        if module.startswith("geotools.pipe.")
        for name in names
        if not name.isupper()
    }
    assert shared == LOOKED_UP
    assert not [m for m in imported if m.split(".")[1:2] and m.split(".")[1] in OF_THE_PLANNER]


@pytest.mark.parametrize("form", ["level", "lifted"])
def test_the_ground_verify_counts_on_at_a_ramp_is_what_the_plan_looks_up(form: str) -> None:
    """Both derived, one by the sine and one by the root; ramps beyond a quarter turn too."""
    rng = np.random.default_rng(7)
    for radius in 10 ** rng.uniform(0.0, 2.5, 200):
        drop = rng.choice([rng.uniform(-1.0, 3.0 * radius), rng.uniform(0.0, 5.0), np.nan])
        working, ramp = rng.uniform(0.0, 30.0), rng.uniform(0.0, 4.0 * radius)
        due = float(ground_reach_m(drop, radius, working_m=working, form=form))
        while due < min(ramp + SLOPE_OVER_M, farthest := float(farthest_reach_m(radius))):
            due = min(2.0 * due, farthest)
        found = ramp_ground(float(drop), ramp, radius, form=form, working=working)
        assert found == pytest.approx(due, rel=1e-9)
