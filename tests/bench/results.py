"""Results: kept by section in a JSON file, shown as Markdown."""

from __future__ import annotations

import json
import os
import platform
from dataclasses import asdict, dataclass, field
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

__all__ = ["Section", "keep", "kept", "show"]

FOLDER = Path(__file__).parent
KEPT, SHOWN = FOLDER / "results.json", FOLDER / "RESULTS.md"
LIBRARIES = ("numpy", "pandas", "numba", "pyarrow", "pyogrio", "shapely", "rasterio", "scipy")
ORDER = (
    "plan",
    "floors",
    "first",
    "chaining",
    "optimiser",
    "elevation",
    "engineering",
    "batch",
    "nation",
    "kills",
)


@dataclass(frozen=True)
class Section:
    """One table of figures; ``data`` holds what other sections need of them."""

    title: str
    command: str
    columns: list[str]
    rows: list[list[str]]
    notes: list[str] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)
    machine: dict[str, str] = field(default_factory=dict)


def machine(load: float) -> dict[str, str]:
    """Describe this machine: no name, no path."""
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    return {
        "processors": str(os.cpu_count()),
        "memory": f"{memory:.0f} GiB",
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "libraries": libraries,
        "load": f"{load:.1f}",
        "date": date.today().isoformat(),
    }


def kept() -> dict[str, Section]:
    """Return the sections measured so far."""
    if not KEPT.exists():
        return {}
    content = json.loads(KEPT.read_text(encoding="utf-8"))
    return {name: Section(**section) for name, section in content.items()}


def keep(name: str, section: Section) -> None:
    """Put a section in the place of the last one of its name, and write both files."""
    sections = {**kept(), name: section}
    content = {key: asdict(value) for key, value in sections.items()}
    KEPT.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    SHOWN.write_text(show(sections), encoding="utf-8")


def show(sections: dict[str, Section]) -> str:
    """Return the sections as Markdown."""
    lines = [
        "# Measurements",
        "",
        "Written by `python -m tests.bench`; what is measured is in the contributors' guide. "
        "Medians; things compared ran in turn in one run, so take the ratios and not the seconds. "
        "s: wall clock. CPU s: processor time, of all processes. Peak: of the largest process.",
    ]
    for name in [*ORDER, *sorted(set(sections) - set(ORDER))]:
        if name in sections:
            lines += ["", *_shown(sections[name])]
    return "\n".join(lines) + "\n"


def _shown(section: Section) -> list[str]:
    m = section.machine
    return [
        f"## {section.title}",
        "",
        f"`{section.command}`",
        "",
        "| " + " | ".join(section.columns) + " |",
        "|" + " --- |" * len(section.columns),
        *("| " + " | ".join(row) + " |" for row in section.rows),
        "",
        *(f"- {note}" for note in section.notes),
        f"- {m['date']}, {m['processors']} processors, {m['memory']}, {m['system']}, "
        f"Python {m['python']}, {m['libraries']}; load average at the start {m['load']}",
    ]
