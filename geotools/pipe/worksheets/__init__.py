"""Hand calculations set out step by step, as an engineer would check them on paper."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from geotools.pipe.worksheets._parts import QUANTITIES, Entry, Step, Worksheet
from geotools.pipe.worksheets.clearance import bend_sheet, fit_sheet
from geotools.pipe.worksheets.load import collapse_sheet, grout_sheet
from geotools.pipe.worksheets.pit import pit_sheet
from geotools.pipe.worksheets.pull import pull_sheet
from geotools.pipe.worksheets.water import flow_sheet, hydrotest_sheet, pressure_sheet

__all__ = [
    "QUANTITIES",
    "WORKSHEETS",
    "Entry",
    "Step",
    "Worksheet",
    "bend_sheet",
    "collapse_sheet",
    "fit_sheet",
    "flow_sheet",
    "grout_sheet",
    "hydrotest_sheet",
    "pit_sheet",
    "pressure_sheet",
    "pull_sheet",
]

WORKSHEETS: Mapping[str, Callable[..., Worksheet]] = MappingProxyType(
    {
        "bend": bend_sheet,
        "collapse": collapse_sheet,
        "fit": fit_sheet,
        "flow": flow_sheet,
        "grout": grout_sheet,
        "pit": pit_sheet,
        "pressure": pressure_sheet,
        "pull": pull_sheet,
        "test": hydrotest_sheet,
    }
)
