"""README and contributors' guide say what is so: layers, commands, settings, rooms.

``python tests/test_readme.py`` writes the lists of layers and commands anew.
"""

from __future__ import annotations

import ast
import re
import shlex
import tomllib
from pathlib import Path

import pytest

import geotools
from geotools.brief import Brief, load_brief
from geotools.deliver.cad.standard import LAYERS as CAD_LAYERS
from geotools.deliver.records import RECORD_TABLES
from geotools.schema import INPUTS, OUTPUTS, describe
from geotools.tool import Key, builtin

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = Path(geotools.__file__).parent
README = ROOT / "README.md"
GUIDE = ROOT / "DEVELOPERS.md"
LISTS = {"inputs": INPUTS, "records": RECORD_TABLES, "outputs": OUTPUTS}


def tool_list() -> str:
    """Return the tools as a Markdown table."""
    rows = [
        f"| `slipmain {t.command}` | `{t.python_name}` | {t.summary} |" for t in builtin().values()
    ]
    return "\n".join(["| command | in Python | what it does |", "|---|---|---|", *rows]) + "\n"


def summary_list() -> str:
    """Return what the summaries hold, as a Markdown list; all calculations of a pipe say alike."""
    said: dict[tuple[Key, ...], list[str]] = {}
    for tool in builtin().values():
        said.setdefault(tool.says, []).append(f"`{tool.command}`")
    rows = [
        f"- {', '.join(names)}: "
        + "; ".join(f"`{'` or `'.join(k.spellings())}` ({k.text})" for k in keys)
        for keys, names in said.items()
    ]
    return "\n".join(rows) + "\n"


def drawing_list() -> str:
    """Return the layers of the drawing as a Markdown table."""
    rows = [
        f"| `{x.name}` | {x.text} | {x.colour} | {x.linetype.lower()} | {x.width / 100:.2f} |"
        for x in CAD_LAYERS.values()
    ]
    head = "| layer | content | colour | linetype | width, mm |"
    return "\n".join([head, "|---|---|---|---|---|", *rows]) + "\n"


def with_lists(text: str) -> str:
    """Return the text with its marked lists made anew from the contract and the tools."""
    made = {name: describe(layers) for name, layers in LISTS.items()}
    made |= {"tools": tool_list(), "summaries": summary_list(), "drawing": drawing_list()}
    for name, new in made.items():
        marked = re.compile(f"(<!-- {name} -->\n).*?(<!-- /{name} -->\n)", re.DOTALL)
        found = marked.findall(text)
        if len(found) != 1:
            raise ValueError(f"the README marks {len(found)} places for the list of {name}")
        start, end = found[0]
        before, _, rest = text.partition(start)
        text = before + start + new + end + rest.partition(end)[2]
    return text


def blocks(language: str) -> list[str]:
    """Return the fenced blocks of one language; plain ones for the empty name."""
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", README.read_text(), re.DOTALL | re.MULTILINE)
    return [text for name, text in fenced if name == language]


def commands() -> list[list[str]]:
    """Every command line in the README's plain blocks, cut at &&."""
    lines = [line for block in blocks("") for line in block.splitlines()]
    return [shlex.split(part) for line in lines for part in line.split("&&")]


def test_lists_are_those_of_the_contract_and_the_tools() -> None:
    text = README.read_text()
    assert with_lists(text) == text, "run: python tests/test_readme.py"


def test_every_slipmain_command_shown_is_one_with_those_options() -> None:
    shown = [words for words in commands() if Path(words[0]).name == "slipmain"]
    assert len(shown) >= 3
    tools = builtin()
    for _, name, *rest in shown:
        tool = tools[name] if name in tools else tools[f"{name}.{rest[0]}"]
        known = {f"--{n.replace('_', '-')}" for n in tool.inputs} | {"--set", "--json"}
        for parameter in tool.parameters:
            known |= {f"--{parameter.name.replace('_', '-')}", f"-{parameter.short}"}
        assert {word for word in rest if word.startswith("-")} <= known


def test_settings_shown_on_command_lines_are_settings_of_the_brief() -> None:
    given = [
        words[place + 1].split("=", 1)
        for words in commands()
        for place, word in enumerate(words)
        if word == "--set"
    ]
    assert given
    load_brief(overrides=dict(given))


def test_the_brief_shown_is_valid(tmp_path: Path) -> None:
    (text,) = blocks("toml")
    path = tmp_path / "brief.toml"
    path.write_text(text)
    brief = load_brief(path)
    assert isinstance(brief, Brief)
    assert brief.pulls.max_length == pytest.approx(1500 * 0.3048)
    assert set(tomllib.loads(text)["inputs"]["mains"]["fields"]) == set(
        brief.inputs["mains"].fields
    )


def test_links_to_files_lead_somewhere() -> None:
    targets = re.findall(r"\]\((?!http|#)([^)#]+)\)", README.read_text())
    assert targets
    assert [t for t in targets if not (ROOT / t).exists()] == []


def rooms() -> list[str]:
    """Return the rooms in the order the guide gives them."""
    (row,) = re.findall(r"<!-- rooms -->\n```\n(.*?)\n```", GUIDE.read_text())
    return [room.strip() for room in row.split("->")]


def rooms_imported(path: Path) -> set[str]:
    """Return the parts of the package a module imports, wherever in it that stands."""
    names = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return {name.split(".")[1] for name in names if name.startswith("geotools.")}


def test_every_folder_of_the_package_is_a_room_or_the_tools() -> None:
    folders = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert folders <= {*rooms(), "tools"}


@pytest.mark.parametrize("room", rooms())
def test_a_room_imports_no_room_to_its_right(room: str) -> None:
    later = {*rooms()[rooms().index(room) + 1 :], "tools", "cli", "call"} - {"pipe"}
    wrong = {
        f"{path.relative_to(PACKAGE)} imports {name}"
        for path in (PACKAGE / room).rglob("*.py")
        for name in rooms_imported(path) & later
    }
    assert sorted(wrong) == []


def test_pipe_imports_nothing_of_the_project_but_itself() -> None:
    wrong = {
        f"{path.name} imports {name}"
        for path in (PACKAGE / "pipe").rglob("*.py")
        for name in rooms_imported(path) - {"pipe"}
    }
    assert sorted(wrong) == []


def test_the_gate_runs_the_commands_the_guide_names() -> None:
    section = GUIDE.read_text().partition("## The gate")[2].partition("\n## ")[0]
    named = re.findall(r"^\| `([^`]+)` \|", section, re.MULTILINE)
    assert len(named) == 4
    script = (ROOT / ".ci" / "run").read_text().replace('"$venv/bin/', "").replace('"', "")
    assert [command for command in named if command not in script] == []


if __name__ == "__main__":
    README.write_text(with_lists(README.read_text()))
