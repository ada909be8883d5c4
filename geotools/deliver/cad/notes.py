"""Notes, cautions and the key of the drawing, set below it.

All of it lies on the layer of notes: blocks and lines of the other layers are things of the plan,
which others count and measure.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from geotools.cautions import CAUTIONS
from geotools.deliver.cad.standard import BLOCKS, LAYERS, SMALL_TEXT, TEXT
from geotools.deliver.wording import print_scale
from geotools.intake.crs import UNNAMED

if TYPE_CHECKING:
    from geotools.deliver.drawing import Drawn

__all__ = ["add_notes"]

NOTES = "LIN-NOTE"
_LINE = 3.2  # mm from line to line
_WIDTH = 95  # letters in a line of notes
_BELOW = 15.0  # mm from the plan down to the notes
_KEY_AT, _KEY_TEXT_AT, _BLOCKS_AT = 150.0, 18.0, 100.0  # mm from the left edge


def _words(drawn: Drawn, source: str) -> Iterator[str]:
    place = drawn.place
    scale = print_scale(drawn.scale, drawn.units)
    yield f"Drawn from {source}. Lettering and symbols are sized for a print at {scale}."
    full = "" if place.crs.name in (place.name, *UNNAMED) else f" ({place.crs.name})"
    yield (
        f"Coordinates: {place.name}{full}; x, y and levels in {place.unit_name}. Grid north is up."
    )
    if place.reason:
        yield f"It is not the CRS of the plan: {place.reason}."
    yield (
        "Levels are those of the plan, filled in along pulls, and the host they lie in, where its "
        "findings say so; lines without a level are drawn flat, at 0. Pits and their ground stand "
        "at the level of the ground at the pit's station, at 0 where it is not known."
    )
    yield from CAUTIONS.values()


def add_notes(drawn: Drawn, source: str, corner: tuple[float, float]) -> None:
    """Write notes and key below a drawing.

    Parameters
    ----------
    drawn : Drawn
    source : str
        Name of the plan.
    corner : tuple of float
        Lower left corner of what is drawn so far.
    """
    paper = drawn.paper
    left, top = corner[0], corner[1] - _BELOW * paper
    drawn.text("Lining of water mains: pits and pulls", (left, top), NOTES, height=2 * TEXT)
    line = 2.5
    for words in _words(drawn, source):
        for part in textwrap.wrap(words, _WIDTH):
            drawn.text(part, (left, top - line * _LINE * paper), NOTES)
            line += 1
        line += 0.4
    used = drawn.counts()
    _line_key(drawn, left + _KEY_AT * paper, top, used)
    _block_key(drawn, left + (_KEY_AT + _BLOCKS_AT) * paper, top)


def _line_key(drawn: Drawn, left: float, top: float, used: dict[str, int]) -> None:
    """Show a piece of line of every layer that has any."""
    paper = drawn.paper
    shown = [layer for layer in LAYERS.values() if layer.lines and layer.name in used]
    for row, layer in enumerate(shown, start=1):
        y = top - row * 2 * _LINE * paper
        looks = {"color": layer.colour, "linetype": layer.linetype, "lineweight": layer.width}
        drawn.space.add_lwpolyline(
            [(left, y), (left + 14 * paper, y)], dxfattribs={"layer": NOTES, **looks}
        )
        at = (left + _KEY_TEXT_AT * paper, y - SMALL_TEXT / 2 * paper)
        drawn.text(f"{layer.name}: {layer.text}", at, NOTES)


def _block_key(drawn: Drawn, left: float, top: float) -> None:
    """Show the lines of every block that is used."""
    paper = drawn.paper
    used = {e.dxf.name for e in drawn.space.query("INSERT")}
    for row, block in enumerate((b for b in BLOCKS.values() if b.name in used), start=1):
        y = top - row * 2 * _LINE * paper
        scales = {"xscale": paper, "yscale": paper, "zscale": paper}
        symbol = drawn.space.add_blockref(block.name, (left, y), scales)
        for part in symbol.explode():
            part.dxf.layer, part.dxf.color = NOTES, LAYERS[block.layer].colour
        at = (left + _KEY_TEXT_AT / 3 * paper, y - SMALL_TEXT / 2 * paper)
        drawn.text(block.text, at, NOTES)
