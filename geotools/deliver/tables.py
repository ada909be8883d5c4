"""Tables without geometry: the settings used, with the cautions that go with every plan."""

from __future__ import annotations

import re

import pandas as pd
import pyproj

from geotools.brief import Brief, Setting, settings
from geotools.cautions import CAUTIONS
from geotools.deliver.columns import content_hash
from geotools.deliver.working_crs import WORKING_CRS, working_crs_text
from geotools.lists import list_text
from geotools.program import PROGRAM, program
from geotools.schema import OUTPUTS
from geotools.units import US_UNITS, in_unit, usual_unit

__all__ = ["content_hash", "settings_table"]


def settings_table(
    brief: Brief, units: str, *, working_crs: pyproj.CRS | None = None
) -> pd.DataFrame:
    """Return every setting used, cautions, program and working CRS, as the ``settings`` table.

    Parameters
    ----------
    brief : Brief
        The brief of the run.
    units : str
        ``si`` or ``us``. A quantity is shown in the unit of its default (``si``) or the US
        customary unit for it, a list as an array of TOML; the text can be read back in by the
        brief.
    working_crs : pyproj.CRS, optional
        The one lengths were taken in; what is made without any tells none.

    Returns
    -------
    DataFrame
        Columns name, value, unit, origin, source, text; one row a setting in the order of the
        brief, then the cautions, what made the result, and the CRS it was measured in.
    """
    rows = [_row(setting, units) for setting in settings(brief)]
    rows += [(name, "planning values only", "", "always", "", t) for name, t in CAUTIONS.items()]
    rows += [(PROGRAM, program(), "", "always", "", "version and digest of what made this")]
    if working_crs is not None:
        text = working_crs_text(working_crs)
        rows += [(WORKING_CRS, text, "", "always", "", "CRS in which lengths were taken")]
    return pd.DataFrame(rows, columns=[field.name for field in OUTPUTS["settings"].fields])


def _row(setting: Setting, units: str) -> tuple[str, str, str, str, str, str]:
    unit = _unit(setting, units)
    value = _shown(setting, unit)
    return setting.key, value, unit, setting.origin, setting.source, setting.text


def _unit(setting: Setting, units: str) -> str:
    """Return the unit a setting is shown in: that of its default, or its US counterpart."""
    if setting.kind is None:
        return ""
    unit = re.sub(r"^[-+.\deE]+\s*", "", setting.written)
    if unit == "none":  # left open by default
        unit = usual_unit(setting.kind)
    return US_UNITS.get(unit, unit) if units == "us" else unit


def _shown(setting: Setting, unit: str) -> str:
    value = setting.value
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return list_text(value)
    if setting.kind is None or not unit:
        return f"{value:.10g}" if isinstance(value, float) else str(value)
    return f"{in_unit(value, unit, setting.kind):.10g} {unit}"
