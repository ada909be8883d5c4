"""Lines that plans and screenings tell alike: how many findings, and why little is left to line."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from geotools.intake.findings import SEVERITIES

__all__ = ["NOT_CHOSEN", "counts_of", "finding_counts", "finding_line", "left_out_lines"]

LITTLE = 0.1  # share of the mains; where fewer are in a run it is told why the others are not
NOT_CHOSEN = "runs-not-chosen"  # rule of the finding that network.only leaves runs out
# Findings that say how many mains are in no run, and why.
REASONS = ("main-too-small", "status-excluded")
NO_DIAMETER = "mains without a diameter cannot be lined (findings: no-diameter)"


def counts_of(words: pd.Series, known: Iterable[str]) -> dict[str, int]:
    """Return how often each word stands in a column."""
    return {word: int((words == word).sum()) for word in known}


def finding_counts(findings: pd.DataFrame) -> dict[str, int]:
    """Return how many findings there are of each severity, the gravest first."""
    return counts_of(findings["severity"], reversed(SEVERITIES))


def finding_line(findings: pd.DataFrame) -> str:
    """Return in words how many findings there are of each severity."""
    counts = finding_counts(findings)
    return "findings  " + ", ".join(f"{count} {name}" for name, count in counts.items())


def left_out_lines(runs: pd.DataFrame, findings: pd.DataFrame, inputs: pd.DataFrame) -> list[str]:
    """Return a line that says why runs are missing; none where they are not.

    Either others were chosen, or no main, or hardly any, is in a run. Which mains the runs hold
    that were not chosen is not known here: of a part no number of mains is told.

    Parameters
    ----------
    runs : DataFrame
        ``main_ids``, joined by commas.
    findings, inputs : DataFrame
        Layers of the contract.
    """
    others = findings.loc[findings["rule"] == NOT_CHOSEN, "text"]
    if len(others):
        return [f"left out  {text}" for text in others]
    mains = int(inputs.loc[inputs["layer"] == "mains", "features_used"].sum())
    lined = {name for ids in runs["main_ids"] for name in str(ids).split(",")}
    if len(lined) >= LITTLE * mains:
        return []
    why = [text.rstrip(".") for text in findings.loc[findings["rule"].isin(REASONS), "text"]]
    if (findings["rule"] == "no-diameter").any():
        why.append(NO_DIAMETER)
    head = f"{len(lined)} of {mains} mains are in a run"
    return [f"left out  {'; '.join([head, *why])}"]
