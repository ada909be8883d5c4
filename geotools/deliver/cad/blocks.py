"""Blocks of the drawing: symbols in millimetres on paper, with their attributes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from geotools.deliver.cad.standard import (
    ATTRIBUTE_LAYER,
    ATTRIBUTE_TEXT,
    BLOCKS,
    TEXT_STYLE,
    CadBlock,
    plain,
)

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts import BaseLayout, BlockLayout

__all__ = ["LINE_STEP", "Position", "add_blocks", "insert", "position", "text_width"]

LINE_STEP = 1.5  # line to line, in text heights
# Widest letters of a plain sans font are near this share of their height, spaces counted in.
_LETTER = 0.75
_GAP = 1.2  # mm from the symbol to its text

Point = tuple[float, float]


class Position:
    """Where the lower left corner of an attribute text may lie beside a symbol, mm."""

    def __init__(self, reach: float, lines: int, width: float) -> None:
        self._reach, self._width = reach, width
        self._height = ATTRIBUTE_TEXT * (1 + LINE_STEP * (lines - 1))

    def boxes(self) -> list[tuple[float, float, float, float]]:
        """Return the boxes to try around the origin, the best first."""
        r, w, h = self._reach, self._width, self._height
        corners = [(r, r), (-r - w, r), (r, -r - h), (-r - w, -r - h), (r, -h / 2),
                   (-w / 2, r), (-w / 2, -r - h)]  # fmt: skip
        return [(x, y, x + w, y + h) for x, y in corners]


def text_width(text: str, height: float) -> float:
    """Return about how wide a line of text is, in the unit of its height."""
    return len(text) * height * _LETTER


def _square(block: BlockLayout, half: float) -> None:
    corners = [(-half, -half), (half, -half), (half, half), (-half, half)]
    block.add_lwpolyline(corners, close=True)


def _filled(block: BlockLayout, corners: list[Point]) -> None:
    hatch = block.add_hatch(color=0)
    hatch.paths.add_polyline_path(corners, is_closed=True)
    block.add_lwpolyline(corners, close=True)


def _receiving(block: BlockLayout) -> None:
    block.add_circle((0, 0), 1.8)
    block.add_line((-1.8, 0), (1.8, 0))
    block.add_line((0, -1.8), (0, 1.8))


def _insertion(block: BlockLayout) -> None:
    _square(block, 1.8)
    _filled(block, [(-1.8, -1.8), (0, 0), (-1.8, 1.8)])


def _both(block: BlockLayout) -> None:
    _insertion(block)
    _filled(block, [(1.8, -1.8), (0, 0), (1.8, 1.8)])


def _arrow(block: BlockLayout) -> None:
    _filled(block, [(2.5, 0), (-1.5, 1.2), (-1.5, -1.2)])


def _bend(block: BlockLayout) -> None:
    block.add_lwpolyline([(-1.1, -0.7), (1.1, -0.7), (0, 1.2)], close=True)


def _bend_stop(block: BlockLayout) -> None:
    _filled(block, [(-1.1, -0.7), (1.1, -0.7), (0, 1.2)])


def _connection(block: BlockLayout) -> None:
    block.add_circle((0, 0), 0.8)
    block.add_line((-0.8, 0), (0.8, 0))
    block.add_line((0, 0), (0, -0.8))


def _lateral(block: BlockLayout) -> None:
    block.add_circle((0, 0), 0.6)


def _dig_hydrant(block: BlockLayout) -> None:
    _hydrant(block)
    block.add_circle((0, 0), 1.2)


def _bowtie(block: BlockLayout, half: float) -> None:
    corners = [(-half, -half * 0.7), (half, half * 0.7), (half, -half * 0.7), (-half, half * 0.7)]
    block.add_lwpolyline(corners, close=True)


def _dig_branch_valve(block: BlockLayout) -> None:
    _bowtie(block, 0.5)
    block.add_circle((0, 0), 1.2)


def _dig_valve(block: BlockLayout) -> None:
    _bowtie(block, 0.9)
    block.add_circle((0, 0), 1.2)


def _shut(block: BlockLayout) -> None:
    _filled(block, [(-1.4, -1.0), (0, 0), (-1.4, 1.0)])
    _filled(block, [(1.4, -1.0), (0, 0), (1.4, 1.0)])
    block.add_line((0, -1.4), (0, 1.4))


def _fitting(block: BlockLayout) -> None:
    block.add_lwpolyline([(-0.7, 0), (0, -0.7), (0.7, 0), (0, 0.7)], close=True)


def _valve(block: BlockLayout) -> None:
    _bowtie(block, 0.9)


def _hydrant(block: BlockLayout) -> None:
    block.add_circle((0, 0), 0.9)
    _filled(block, [(-0.4, -0.4), (0.4, -0.4), (0.4, 0.4), (-0.4, 0.4)])


def _keep_off(block: BlockLayout) -> None:
    block.add_lwpolyline([(-1.1, 0), (0, -1.1), (1.1, 0), (0, 1.1)], close=True)
    block.add_line((-0.55, -0.55), (0.55, 0.55))
    block.add_line((-0.55, 0.55), (0.55, -0.55))


_SYMBOLS: Mapping[str, tuple[Callable[[BlockLayout], None], float]] = {
    "LIN_PIT_RECEIVING": (_receiving, 1.8),
    "LIN_PIT_INSERTION": (_insertion, 1.8),
    "LIN_PIT_BOTH": (_both, 1.8),
    "LIN_ARROW": (_arrow, 2.5),
    "LIN_BEND": (_bend, 1.2),
    "LIN_BEND_STOP": (_bend_stop, 1.2),
    "LIN_DIG_CONNECTION": (_connection, 0.8),
    "LIN_DIG_LATERAL": (_lateral, 0.6),
    "LIN_DIG_HYDRANT": (_dig_hydrant, 1.2),
    "LIN_DIG_BRANCH_VALVE": (_dig_branch_valve, 1.2),
    "LIN_DIG_VALVE": (_dig_valve, 1.2),
    "LIN_SHUT": (_shut, 1.4),
    "LIN_FITTING": (_fitting, 0.7),
    "LIN_VALVE": (_valve, 0.9),
    "LIN_HYDRANT": (_hydrant, 0.9),
    "LIN_LATERAL": (_lateral, 0.6),
    "LIN_AVOID": (_keep_off, 1.1),
}


def add_blocks(doc: Drawing) -> None:
    """Define every block: the symbol on layer 0, so that it takes the layer of its insert."""
    for block in BLOCKS.values():
        layout = doc.blocks.new(block.name)
        layout.block.dxf.description = block.text  # type: ignore[union-attr]
        draw, reach = _SYMBOLS[block.name]
        draw(layout)
        for n, tag in enumerate(block.tags):
            layout.add_attdef(
                tag,
                (reach + _GAP, _line_at(n, len(block.shown)) + reach),
                height=ATTRIBUTE_TEXT,
                dxfattribs={
                    "layer": ATTRIBUTE_LAYER,
                    "style": TEXT_STYLE,
                    "prompt": tag.replace("_", " ").lower(),
                },
            ).is_invisible = tag in block.hidden


def _line_at(line: int, lines: int) -> float:
    """Return the height of a line of text above the lowest, mm; hidden ones lie on the last."""
    return max(lines - 1 - line, 0) * ATTRIBUTE_TEXT * LINE_STEP


def position(block: CadBlock, values: Mapping[str, str]) -> Position:
    """Return where the shown attributes of a block may lie."""
    width = max((text_width(values[tag], ATTRIBUTE_TEXT) for tag in block.shown), default=0.0)
    reach = _SYMBOLS[block.name][1] + (_GAP if block.shown else 0.0)
    return Position(reach, max(len(block.shown), 1), width)


def insert(
    space: BaseLayout,
    block: CadBlock,
    at: Point,
    values: Mapping[str, str],
    *,
    paper: float,
    corner: Point | None = None,
    layer: str | None = None,
    rotation: float = 0.0,
    level: float = 0.0,
) -> None:
    """Set a block with the values of its attributes.

    Parameters
    ----------
    space : BaseLayout
    block : CadBlock
    at : tuple of float
        Place in the drawing.
    values : mapping of str to str
        Values by tag.
    paper : float
        Drawing units that one millimetre on paper stands for.
    corner : tuple of float, optional
        Lower left corner of the shown attributes from `at`, mm.
    layer : str, optional
        Layer, if not that of the block.
    rotation : float, optional
        Degrees against the clock; the attributes stay level.
    level : float, optional
        Height of the block in the drawing, and of its attributes.
    """
    name = layer or block.layer
    reference = space.add_blockref(
        block.name,
        (*at, level),
        dxfattribs={
            "layer": name,
            "xscale": paper,
            "yscale": paper,
            "zscale": paper,
            "rotation": rotation,
        },
    )
    x, y = corner if corner is not None else (0.0, 0.0)
    for n, tag in enumerate(block.tags):
        reference.add_attrib(
            tag,
            plain(values.get(tag, "")),
            (at[0] + x * paper, at[1] + (y + _line_at(n, len(block.shown))) * paper, level),
            dxfattribs={
                "layer": ATTRIBUTE_LAYER,
                "height": ATTRIBUTE_TEXT * paper,
                "style": TEXT_STYLE,
            },
        ).is_invisible = tag in block.hidden
