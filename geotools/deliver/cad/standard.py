"""The drawing standard: layers, linetypes, sizes on paper and blocks, each in one table.

The naming is our own. ``LIN`` marks what belongs to the lining plan, ``LIN-REF`` what it is drawn
on; a part after that says what lies there. Colours, linetypes and line widths are chosen so that
a print in grey still tells the layers apart.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "ATTRIBUTE_LAYER",
    "ATTRIBUTE_TEXT",
    "BLOCKS",
    "LAYERS",
    "LINETYPES",
    "SMALL_TEXT",
    "TEXT",
    "TEXT_STYLE",
    "CadBlock",
    "CadLayer",
    "plain",
]

# Heights of lettering on paper, mm; ISO 3098-1 has 2.5 and 1.8 in its row of sizes.
TEXT = 2.5
SMALL_TEXT = 1.8
ATTRIBUTE_TEXT = 1.8
TEXT_STYLE = "LIN-TEXT"
ATTRIBUTE_LAYER = "LIN-TEXT"
LONGEST = 500  # letters of four bytes at most; DXF takes 2,049 bytes (from memory)

# Dashes (positive), gaps (negative) and dots (0) on paper, mm.
LINETYPES: dict[str, tuple[float, ...]] = {
    "LIN_DASHED": (3.0, -1.5),
    "LIN_DOTTED": (0.5, -1.0),
    "LIN_DASHDOT": (5.0, -1.2, 0.6, -1.2),
    "LIN_CENTRE": (8.0, -1.5, 2.0, -1.5),
}


@dataclass(frozen=True)
class CadLayer:
    """A layer: what it holds, colour index, linetype, line width in hundredths of a millimetre.

    ``lines`` says whether lines on it must be told from those of other layers by their look.
    """

    name: str
    text: str
    colour: int
    linetype: str
    width: int
    lines: bool = True


LAYERS: dict[str, CadLayer] = {
    layer.name: layer
    for layer in (
        CadLayer("LIN-HOST", "axis of the old main, 3-D", 8, "CONTINUOUS", 35),
        CadLayer(
            "LIN-HOST-UNPLANNED", "axis of runs without a plan, 3-D", 252, "CONTINUOUS", 18
        ),
        CadLayer("LIN-PULL", "carrier pulled in, 3-D; arrow: pulling direction", 7,
                 "CONTINUOUS", 70),
        CadLayer(
            "LIN-PULL-TEXT", "pull, length, planned force and limit at the head and at the bend "
            "that governs, and the force at the head to stop at for it", 7, "CONTINUOUS", 25,
            lines=False,
        ),
        CadLayer("LIN-PIT", "pits, as blocks with attributes, at the level of the ground", 1,
                 "CONTINUOUS", 50, lines=False),
        CadLayer("LIN-PIT-AREA", "ground the pits take, true to scale, at its level at the station",
                 1, "CONTINUOUS", 35),
        CadLayer("LIN-BEND", "bends of the old main, as blocks with attributes", 5,
                 "CONTINUOUS", 30, lines=False),
        CadLayer("LIN-DIG", "connections, services, hydrants, valves to dig up", 6,
                 "CONTINUOUS", 25, lines=False),
        CadLayer("LIN-DIG-SPARED", "the same where a pit covers them", 9, "CONTINUOUS", 18,
                 lines=False),
        CadLayer("LIN-STRING", "fused strings laid out behind the pit", 30, "LIN_DASHED", 25),
        CadLayer("LIN-CLOSURE", "lanes closed, with tapers and buffer", 94, "LIN_DASHDOT", 35),
        CadLayer("LIN-STRING-TEXT", "strings by name", 30, "CONTINUOUS", 25, lines=False),
        CadLayer("LIN-CLOSURE-TEXT", "closures by name, and the working days they stand", 94,
                 "CONTINUOUS", 25, lines=False),
        CadLayer("LIN-SHUT", "valves to close for the work", 5, "CONTINUOUS", 35, lines=False),
        CadLayer("LIN-CHAINAGE", "distance from the start of the run", 8, "CONTINUOUS", 18,
                 lines=False),
        CadLayer("LIN-TEXT", "attributes of all blocks", 7, "CONTINUOUS", 25, lines=False),
        CadLayer("LIN-NOTE", "notes, cautions and key", 7, "CONTINUOUS", 25, lines=False),
        CadLayer("LIN-REF-MAIN", "mains near the plan", 9, "CONTINUOUS", 30),
        CadLayer("LIN-REF-KERB", "edges of carriageways, by the width on record", 9,
                 "CONTINUOUS", 13),
        CadLayer("LIN-REF-STREET", "street centrelines", 9, "LIN_CENTRE", 13),
        CadLayer("LIN-REF-AVOID", "places to avoid, and their buffers", 8, "LIN_DOTTED", 25),
        CadLayer("LIN-REF-LATERAL", "service connections, as blocks or lines", 9,
                 "LIN_DASHED", 13),
        CadLayer("LIN-REF-FITTING", "fittings, as blocks with attributes", 8, "CONTINUOUS", 18,
                 lines=False),
        CadLayer("LIN-REF-VALVE", "valves, as blocks with attributes", 8, "CONTINUOUS", 18,
                 lines=False),
        CadLayer("LIN-REF-HYDRANT", "hydrants, as blocks with attributes", 8, "CONTINUOUS", 18,
                 lines=False),
        CadLayer("LIN-REF-TEXT", "names of streets and places", 8, "CONTINUOUS", 18,
                 lines=False),
    )
}  # fmt: skip


@dataclass(frozen=True)
class CadBlock:
    """A block: what it stands for, its layer, and its attributes, the shown ones first."""

    name: str
    text: str
    layer: str
    shown: tuple[str, ...] = ()
    hidden: tuple[str, ...] = ()

    @property
    def tags(self) -> tuple[str, ...]:
        """Tags of all attributes."""
        return (*self.shown, *self.hidden)


_PIT_SHOWN = ("PIT_ID", "ROLE", "CHAINAGE", "DEPTH", "DIG_DEPTH")
_PIT_HIDDEN = ("RUN_ID", "DEPTH_SOURCE", "LENGTH", "WIDTH", "STREET", "REASON",
               "RAMP_AHEAD", "RAMP_BEHIND", "GROUND_Z", "AXIS_Z", "BOTTOM_Z",
               "GRID_BEARING")  # fmt: skip
_BEND_HIDDEN = ("BEND_ID", "RUN_ID", "KIND", "CHAINAGE", "PASSES")
_DIG = ("DIG_ID", "RUN_ID", "PULL_ID", "KIND", "CHAINAGE")
_REF = ("KIND", "FEATURE")

BLOCKS: dict[str, CadBlock] = {
    block.name: block
    for block in (
        CadBlock("LIN_PIT_RECEIVING", "receiving pit", "LIN-PIT", _PIT_SHOWN, _PIT_HIDDEN),
        CadBlock("LIN_PIT_INSERTION", "insertion pit, one way", "LIN-PIT", _PIT_SHOWN,
                 _PIT_HIDDEN),
        CadBlock("LIN_PIT_BOTH", "insertion pit, both ways", "LIN-PIT", _PIT_SHOWN, _PIT_HIDDEN),
        CadBlock("LIN_ARROW", "direction of a pull", "LIN-PULL"),
        CadBlock("LIN_BEND", "bend the carrier passes", "LIN-BEND", ("ANGLE",), _BEND_HIDDEN),
        CadBlock("LIN_BEND_STOP", "bend the carrier does not pass", "LIN-BEND", ("ANGLE",),
                 _BEND_HIDDEN),
        CadBlock("LIN_DIG_CONNECTION", "tee or branch to reconnect", "LIN-DIG", (), _DIG),
        CadBlock("LIN_DIG_LATERAL", "service to reconnect", "LIN-DIG", (), _DIG),
        CadBlock("LIN_DIG_HYDRANT", "hydrant to reconnect", "LIN-DIG", (), _DIG),
        CadBlock("LIN_DIG_BRANCH_VALVE", "air valve, washout to reconnect", "LIN-DIG", (), _DIG),
        CadBlock("LIN_DIG_VALVE", "line valve to cut out and replace", "LIN-DIG", (), _DIG),
        CadBlock("LIN_SHUT", "valve to close", "LIN-SHUT", ("VALVE",), ("RUN_ID", "ALL_OF_RUN")),
        CadBlock("LIN_FITTING", "fitting on record", "LIN-REF-FITTING", ("KIND",),
                 ("ANGLE", "FEATURE")),
        CadBlock("LIN_VALVE", "valve on record", "LIN-REF-VALVE", (), _REF),
        CadBlock("LIN_HYDRANT", "hydrant on record", "LIN-REF-HYDRANT", (), _REF),
        CadBlock("LIN_LATERAL", "service on record", "LIN-REF-LATERAL", (), _REF),
        CadBlock("LIN_AVOID", "point to avoid", "LIN-REF-AVOID", ("KIND",), ("FEATURE",)),
    )
}  # fmt: skip


def plain(text: object) -> str:
    """Return text of a plan as it can stand in a text or attribute of a drawing.

    Text of input files is data: what a drawing program would read as a code is taken apart
    (``%%d`` is a degree sign, ``^J`` a new line, ``\\U+0041`` a letter). A caret is written by
    its own code; for the others there is none that all programs know, so a space parts them,
    as it does where a field would begin (``%<``). Line ends and other control characters become
    spaces; of what is longer than a text may be the rest is left out, with dots.
    """
    word = "".join(c if c.isprintable() else " " for c in str(text))
    if len(word) > LONGEST:
        word = f"{word[:LONGEST].rstrip()}..."
    word = word.replace("%<", "% <")
    while "%%" in word:
        word = word.replace("%%", "% %")
    return word.replace("\\U+", "\\ U+").replace("\\M+", "\\ M+").replace("^", "^ ")
