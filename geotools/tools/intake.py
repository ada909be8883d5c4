"""The tool ``intake``: reads and checks the layers and lists what it found."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.lists import listed
from geotools.text_table import table
from geotools.tool import Key, Outcome, Parameter, Progress, Tool
from geotools.tools._parameters import ALL_LAYERS, ALLOW_REMOTE, OVERWRITE

if TYPE_CHECKING:
    import pandas as pd

    from geotools.brief import Brief
    from geotools.intake.columns import Layers

__all__ = ["TOOL", "intake"]

SHOWN = 10  # words of a field in a text

TOOL = Tool(
    name="intake",
    title="Read and check the layers",
    summary=(
        "Reads every layer as the other tools would, repairs what can be repaired, looks up the "
        "ground along the mains, and lists, layer by layer, which column is read as which field, "
        "which fields are not there, which columns are left over, and what was found. Exit code 1 "
        "if there are errors among the findings."
    ),
    function="geotools.tools.intake:intake",
    takes_brief=True,
    inputs=ALL_LAYERS,
    outputs=("findings", "inputs", "columns"),
    parameters=(
        Parameter("output", "path", "GeoPackage to write findings and columns to", short="o"),
        OVERWRITE,
        ALLOW_REMOTE,
    ),
    python="check_inputs",
    says=(
        Key("layers", "list", "layers read: source, features read and used, columns by field"),
        Key("findings", "table", "findings by severity"),
        Key("rules", "list", "rules that told something, how often, and of which words"),
        Key("output", "text", "GeoPackage written", open=True),
    ),
)


def intake(
    brief: Brief,
    *,
    layers: Mapping[str, Any] | None,
    output: Path | None,
    overwrite: bool,
    allow_remote: bool,
    progress: Progress,
) -> Outcome:
    """Read and check the layers of a brief.

    Parameters
    ----------
    brief : Brief
    layers : mapping of str to GeoDataFrame, optional
        Layers in memory; they beat those of the brief.
    output : Path, optional
        GeoPackage for the findings and what was made of the columns.
    overwrite, allow_remote : bool
    progress : Progress

    Raises
    ------
    LayerError
        If a layer cannot be read at all.
    OutputError
        If the findings cannot be written.
    """
    from geotools.deliver.geopackage import check_target, write_geopackage

    target = None if output is None else check_target(output, overwrite)
    read = _read(brief, layers, allow_remote, progress)
    tables = {"findings": _findings_frame(read), "inputs": read.inputs, "columns": read.columns}
    if target is not None:
        crs, units = read.output_crs, brief.output.units
        write_geopackage(target, tables, crs=crs, units=units, overwrite=overwrite)
    counts = {severity: read.findings.count(severity) for severity in ("error", "warning", "info")}
    summary = {
        "layers": [
            {k: row[k] for k in ("layer", "source", "features_read", "features_used")}
            | _columns_of(read, row["layer"])
            for row in read.inputs.to_dict("records")
        ],
        "findings": counts,
        "rules": _rules(read.findings.counted_table()).to_dict("records"),
        "output": None if output is None else str(output),
    }
    return Outcome(
        summary,
        _text(read, counts, output),
        failed=counts["error"] > 0,
        layers=tables,
    )


def _read(
    brief: Brief, layers: Mapping[str, Any] | None, allow_remote: bool, progress: Progress
) -> Layers:
    """Read all layers, and look at what shows where several of them meet."""
    from geotools.intake.read import read_layers
    from geotools.layout.bare_ground import check_ground
    from geotools.screening.breaks import check_breaks

    read = read_layers(
        brief, frames=layers, allow_remote=allow_remote, progress=progress, screened=True
    )
    if read.breaks is not None:
        progress("placing breaks")
        check_breaks(read, brief)
    if read.dem:
        progress("looking up the ground")
        check_ground(read, brief, allow_remote=allow_remote)
    return read


def _columns_of(read: Layers, layer: str) -> dict[str, Any]:
    """Return what was made of the columns of a layer; of a raster nothing is told."""
    if layer == "dem" or not len(read.columns):
        return {}
    told = read.columns[read.columns["layer"] == layer]
    state = told["state"]
    fields = told[state == "read"]
    return {
        "fields_read": dict(zip(fields["read_as"], fields["column"], strict=True)),
        "fields_not_there": told.loc[state == "not there", "field"].tolist(),
        "columns_left_over": told.loc[state == "left over", "column"].tolist(),
    }


def _findings_frame(read: Layers) -> Any:
    import geopandas as gpd

    frame = gpd.GeoDataFrame(read.findings.table(), geometry="geometry", crs=read.working_crs)
    return frame.to_crs(read.output_crs)


def _rules(findings: pd.DataFrame) -> pd.DataFrame:
    """Return the findings gathered by rule and field, gravest first: count, an example, words.

    ``findings`` as of `Findings.counted_table`: what is counted are values, not rows. ``words`` are
    those told one by one, and how often each is met.
    """
    import pandas as pd

    keys = ["severity", "rule", "layer", "field"]
    gathered = findings.groupby(keys, sort=False)
    rules = gathered.agg(
        count=("stands_for", "sum"), feature=("feature", "first"), text=("text", "first")
    ).reset_index()
    words = [_words(part[part["word"] != ""]) for _, part in gathered]
    return rules.assign(words=pd.Series(words, dtype=object))


def _words(told: pd.DataFrame) -> dict[str, int]:
    return {str(w): int(n) for w, n in zip(told["word"], told["stands_for"], strict=True)}


def _text(read: Layers, counts: Mapping[str, int], output: Path | None) -> str:
    parts = [_layer_table(read), *_column_paragraphs(read)]
    rules = _rules(read.findings.counted_table()).to_dict("records")
    parts += [_paragraph(rule) for rule in rules]
    found = ", ".join(f"{n} {severity}{'s' * (n != 1)}" for severity, n in counts.items())
    parts.append(f"findings: {found}")
    if output is not None:
        parts.append(f"wrote {output}")
    elif rules:
        parts.append("For every finding with its place on the map, give -o findings.gpkg")
    return "\n\n".join(parts)


def _layer_table(read: Layers) -> str:
    rows = [
        (row["layer"], row["source"], *_feature_counts(row))
        for row in read.inputs.to_dict("records")
    ]
    return table(("layer", "from", "read", "used"), rows)


def _feature_counts(row: Mapping[Any, Any]) -> tuple[object, object]:
    """Return how many features were read and used; a raster has none."""
    if row["layer"] == "dem":
        return "", ""
    return row["features_read"], row["features_used"]


def _column_paragraphs(read: Layers) -> list[str]:
    """Write for each layer what was made of its columns; nothing of one that has none."""
    told = [(name, _columns_of(read, name)) for name in read.inputs["layer"] if name != "dem"]
    return [f"columns of {name}\n{text}" for name, said in told if (text := _column_lines(said))]


def _column_lines(said: Mapping[str, Any]) -> str:
    read = said.get("fields_read", {})
    named = [
        name if column.casefold() == name else f"{name} from {column}"
        for name, column in read.items()
    ]
    lines = {
        "read": named,
        "not there": said.get("fields_not_there", []),
        "left over": said.get("columns_left_over", []),
    }
    return "\n".join(_filled(f"{head + ':':11}{', '.join(t)}") for head, t in lines.items() if t)


def _filled(text: str) -> str:
    import textwrap

    return textwrap.fill(
        text, 96, initial_indent="    ", subsequent_indent=" " * 15, break_long_words=False
    )


def _paragraph(rule: Mapping[Any, Any]) -> str:
    """Write one rule: its head, the first finding in full, and its words if there are several."""
    import textwrap

    times = f", {rule['count']} times; the first" if rule["count"] > 1 else ""
    where = " ".join(part for part in (rule["layer"], rule["feature"]) if part)
    text = " ".join(f"{where}: {rule['text']}".split())
    words = [f"{word!r} ({count:,})" for word, count in rule["words"].items()]
    if len(words) > 1:
        text = f"{text}; the words: {listed(words, most=SHOWN)}"
    body = textwrap.fill(text, 96, initial_indent="    ", subsequent_indent="    ")
    return f"{rule['severity']}: {rule['rule']}{times}\n{body}"
