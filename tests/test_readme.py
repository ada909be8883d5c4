"""README and contributors' guide say what is so: layers, commands, settings, rooms.

``python tests/test_readme.py`` writes the lists of layers and commands anew.
"""

from __future__ import annotations

import ast
import importlib
import re
import shlex
import sys
import tomllib
import types
from pathlib import Path

import geopandas
import pytest
import shapely

import geotools
from geotools.brief import Brief, load_brief
from geotools.call import python_function
from geotools.deliver.cad.standard import LAYERS as CAD_LAYERS
from geotools.deliver.joints.procedure import read_procedure
from geotools.deliver.joints.records import CUT, FAIL, KINDS, PASS, RECORD_TABLES, read_map
from geotools.schema import INPUTS, NO, OUTPUTS, ROLES, STATES, WAYS, YES, describe, explain
from geotools.tool import Key, Tool, builtin

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = Path(geotools.__file__).parent
README = ROOT / "README.md"
GUIDE = ROOT / "DEVELOPERS.md"
READ = {"inputs": INPUTS, "records": RECORD_TABLES}


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


def flag_words() -> str:
    """Return the words that are read as yes and no."""
    yes, no = (", ".join(f"`{word}`" for word in words) for words in (YES, NO))
    return f"Read as yes: {yes}; as no: {no}.\n"


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
    made = {name: explain(layers) for name, layers in READ.items()}
    made |= {"outputs": describe(OUTPUTS), "words": flag_words()}
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
    fenced = re.findall(
        r"^```(\w*)\n(.*?)^```$", README.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE
    )
    return [text for name, text in fenced if name == language]


def commands() -> list[list[str]]:
    """Every command line in the README's plain blocks, cut at &&."""
    lines = [line for block in blocks("") for line in block.splitlines()]
    return [shlex.split(part) for line in lines for part in line.split("&&")]


def options_of(tool: Tool) -> set[str]:
    """Return the options of a tool, those that every command has among them."""
    known = {f"--{n.replace('_', '-')}" for n in tool.inputs} | {"--json", "--quiet", "--debug"}
    known |= {"--set"} if tool.takes_brief else set()
    for parameter in tool.parameters:
        known |= {f"--{parameter.name.replace('_', '-')}"}
        known |= {f"-{parameter.short}"} if parameter.short else set()
    return known


def tool_named(words: list[str]) -> Tool:
    """Return the tool of a command line."""
    tools = builtin()
    return tools[words[1]] if words[1] in tools else tools[f"{words[1]}.{words[2]}"]


def tools_shown(section: str) -> list[Tool]:
    """Return the tools of a section's commands, with all of their groups; all where it has none."""
    tools = builtin()
    if not re.search(r"^slipmain ", section, re.MULTILINE):
        return list(tools.values())
    lines = [shlex.split(line) for line in re.findall(r"slipmain [a-z][^`\n&]*", section)]
    groups = {tool_named(words).name.partition(".")[0] for words in lines}
    return [tool for name, tool in tools.items() if name.partition(".")[0] in groups]


def sections() -> list[str]:
    """Return the README's sections of the second order, what stands above the first too."""
    return re.split(r"^## ", README.read_text(encoding="utf-8"), flags=re.MULTILINE)


def inline(text: str) -> list[str]:
    """Return the code that stands within the lines of a text, none of its generated lists."""
    text = re.sub(r"<!-- (\w+) -->\n.*?<!-- /\1 -->", "", text, flags=re.DOTALL)
    return re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```$", "", text, flags=re.S | re.M))


def test_lists_are_those_of_the_contract_and_the_tools() -> None:
    text = README.read_text(encoding="utf-8")
    assert with_lists(text) == text, "run: python tests/test_readme.py"


def words_after(start: str, text: str) -> list[str]:
    """Return the words told after what begins their list, ``pass`` (passed, ok), or as code."""
    listed = re.findall(f"{re.escape(start)}(?: \\(([^)]*)\\)|((?:(?:, )?`[^`]+`)+))", text)
    return [word for found in listed for word in re.sub("`", "", "".join(found)).split(", ")]


def test_every_word_for_a_field_that_is_read_stands_in_the_readme() -> None:
    text = README.read_text(encoding="utf-8")
    told = {"Read as yes: ": YES, "; as no: ": NO, "`pass`": PASS, "`fail`": FAIL, "`cut out`": CUT}
    told |= {f"`{way}`": words for way, words in (*WAYS, *STATES)}
    missing = {
        start: sorted({*words} - {*words_after(start, text), start.strip("`"), ""})
        for start, words in told.items()
    }
    assert {start: words for start, words in missing.items() if words} == {}
    assert [word for word in (*ROLES, *KINDS) if f"`{word}`" not in text] == []
    layers = [*INPUTS.values(), *RECORD_TABLES.values()]
    assert [f.name for layer in layers for f in layer.fields if f.meaning not in text] == []


@pytest.mark.parametrize(
    ("start", "word"),
    [
        ("Read as yes: ", "y"),
        ("; as no: ", "off"),
        ("`both`", "b"),
        ("`along`", "f"),
        ("`fail`", "n"),
    ],
)
def test_a_word_that_is_not_in_its_own_list_is_missed_wherever_else_it_stands(
    start: str, word: str
) -> None:
    text = README.read_text(encoding="utf-8")
    assert word in words_after(start, text)
    without = re.sub(rf"({re.escape(start)}[^|\n]*?)(, `?)\b{word}\b`?", r"\1", text)
    assert word not in words_after(start, without)


def test_every_slipmain_command_shown_is_one_with_those_options() -> None:
    shown = [words for words in commands() if Path(words[0]).name == "slipmain"]
    assert len(shown) >= 3
    for words in shown:
        assert {word for word in words if word.startswith("-")} <= options_of(tool_named(words))


def test_one_line_installs_and_plans_and_one_installs_and_tests_in_any_shell_of_unix() -> None:
    whole = [line for block in blocks("") for line in block.splitlines() if " && " in line]
    assert [line.split(" && ")[0] for line in whole] == ["python3 -m venv .venv"] * 2
    assert [shlex.split(line)[-4:] for line in whole] == [
        ["plan", "sample_gis/brief.toml", "-o", "plan.gpkg"],
        ["-e", ".[test]", "&&", ".venv/bin/pytest"],
    ]


def test_commands_for_windows_are_lines_that_both_of_its_shells_take() -> None:
    lines = [line for block in blocks("bat") for line in block.splitlines()]
    assert len(lines) == 5
    for line in lines:
        assert not re.search(r"&&|'|/", line)  # not of PowerShell 5.1; no quotes in cmd.exe
        program, *_ = line.split(" ")
        assert program == "py" or program.startswith(".venv\\Scripts\\")


def test_options_named_in_a_section_are_of_a_tool_that_the_section_shows() -> None:
    wrong, seen = [], 0
    for section in sections():
        named = {word for code in inline(section) for word in code.split() if word[:2] == "--"}
        known = set().union(*map(options_of, tools_shown(section)), {"--help"})
        wrong += sorted(named - known)
        seen += len(named)
    assert seen > 20
    assert wrong == []


def test_settings_shown_on_command_lines_are_settings_of_the_brief() -> None:
    within = [
        shlex.split(code) for code in inline(README.read_text(encoding="utf-8")) if "--set " in code
    ]
    given = [
        words[place + 1].split("=", 1)
        for words in [*commands(), *within]
        for place, word in enumerate(words)
        if word == "--set"
    ]
    assert given
    load_brief(overrides=dict(given))


def test_the_brief_shown_is_valid(tmp_path: Path) -> None:
    text = next(block for block in blocks("toml") if "[inputs]" in block)
    path = tmp_path / "brief.toml"
    path.write_text(text)
    brief = load_brief(path)
    assert isinstance(brief, Brief)
    assert brief.pulls.max_length == pytest.approx(1500 * 0.3048)
    assert set(tomllib.loads(text)["inputs"]["mains"]["fields"]) == set(
        brief.inputs["mains"].fields
    )


def test_the_files_of_columns_and_of_a_procedure_shown_are_read(tmp_path: Path) -> None:
    columns, procedure = tmp_path / "map.toml", tmp_path / "procedure.toml"
    columns.write_text(next(block for block in blocks("toml") if "[records]" in block))
    procedure.write_text(next(block for block in blocks("toml") if "[[size]]" in block))
    for table, pairs in read_map(columns).items():
        spelled = {name for field in RECORD_TABLES[table].fields for name in field.spellings()}
        assert set(pairs) <= spelled
    assert [size.dr for size in read_procedure(procedure).size] == [18]


def test_texts_use_the_words_of_the_trade() -> None:
    """What was said otherwise once, and the word a reader looks for."""
    said = {"falling half of": "downsurge", "ground heat": "ground temperature"}
    texts = [README, GUIDE, *PACKAGE.rglob("*.py")]
    found = [(path.name, old) for path in texts for old in said if old in path.read_text("utf-8")]
    assert found == []


def test_no_sentence_is_longer_than_eighty_words() -> None:
    text = re.sub(
        r"<!-- (\w+) -->\n.*?<!-- /\1 -->", "", README.read_text(encoding="utf-8"), flags=re.DOTALL
    )
    text = re.sub(r"^```.*?^```$|^\|[^\n]*$", "", text, flags=re.S | re.M)
    sentences = [s for line in text.splitlines() for s in re.split(r"(?<=[.!?:])\s+", line)]
    assert [s for s in sentences if len(s.split()) > 80] == []


def test_links_to_files_lead_somewhere() -> None:
    targets = re.findall(r"\]\((?!http|#)([^)#]+)\)", README.read_text(encoding="utf-8"))
    assert targets
    assert [t for t in targets if not (ROOT / t).exists()] == []


def rooms() -> list[str]:
    """Return the rooms in the order the guide gives them."""
    (row,) = re.findall(r"<!-- rooms -->\n```\n(.*?)\n```", GUIDE.read_text(encoding="utf-8"))
    return [room.strip() for room in row.split("->")]


def rooms_imported(path: Path) -> set[str]:
    """Return the parts of the package a module imports, wherever in it that stands."""
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
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


def test_numbers_that_are_no_settings_stand_in_the_guide_as_the_code_has_them() -> None:
    sizes = {"in": 0.0254, "ft": 0.3048, "min": 60.0}  # hours and years count as they are
    (text,) = re.findall(
        r"## Numbers that are no settings\n(.*?)\n## ", GUIDE.read_text(encoding="utf-8"), re.S
    )
    row = re.compile(r"^\| .+ \| ([\d.,]+) ?(\S*) \| `(\S+)\.py` `(\w+)` \|$", re.M)
    rows = row.findall(text)
    assert len(rows) == text.count("\n| ") - 1 > 20
    for number, unit, module, name in rows:
        held = getattr(importlib.import_module(f"geotools.{module.replace('/', '.')}"), name)
        told = float(number.replace(",", "")) * sizes.get(unit, 1.0)
        assert held == pytest.approx(told), name


def test_broad_excepts_stand_where_the_guide_says_and_nowhere_else() -> None:
    broad = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if re.search(r"except(:| \(?(Base)?Exception\b)", path.read_text(encoding="utf-8"))
    }
    (said,) = re.findall(r"A broad `except` stands in (.*)", GUIDE.read_text(encoding="utf-8"))
    assert broad == set(re.findall(r"in `([\w/]+\.py)`", said))


def test_the_tool_the_guide_shows_counts_mains_of_a_frame_and_of_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (code,) = re.findall(
        r"^```python\n(.*?)^```$", GUIDE.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE
    )
    module = types.ModuleType("mypackage.tools")
    monkeypatch.setitem(sys.modules, "mypackage.tools", module)
    exec(compile(code, GUIDE, "exec"), module.__dict__)  # noqa: S102 - the guide's own
    lines = [shapely.LineString([(0, y), (100, y)]) for y in (0, 9)]
    data = {"main_id": ["a", "b"], "diameter_mm": [300, 200]}
    mains = geopandas.GeoDataFrame(data, geometry=lines, crs=32633)
    mains.to_file(tmp_path / "net.gpkg", layer="mains")
    count = python_function(module.__dict__["TOOL"])
    assert count(mains=mains).summary == {"mains": 1}
    assert count(mains=tmp_path / "net.gpkg", least="150 mm").summary == {"mains": 2}


def test_the_nation_on_paper_agrees_with_what_was_measured() -> None:
    # not above: run as a script, this file finds no package of tests
    from tests.bench.nation import NATION, Measured, carried_over
    from tests.bench.results import kept

    of = Measured(**kept()["nation"].data)
    section = (
        GUIDE.read_text(encoding="utf-8").partition("## A nation on paper")[2].partition("\n## ")[0]
    )
    rows = re.findall(r"^\| (\d+) \| ([\d.]+) \| ([\d.]+) \|", section, re.MULTILINE)
    shown = [(int(workers), float(hours), float(alone)) for workers, hours, alone in rows]
    carried = [(n, *(round(h, 1) for h in carried_over(of, n))) for n in (2, 8, 64)]
    assert shown == carried
    # two workers take as long as measured, and no number of them less than the undivided part
    assert carried_over(of, 2)[0] == pytest.approx(of.wall * NATION / of.length / 3600)
    assert carried_over(of, 10**6)[0] == pytest.approx(carried_over(of, 2)[1], rel=1e-3)
    assert f"{of.wall:,.0f} s, {of.cpu:,.0f} CPU s" in section


def test_the_gate_runs_the_commands_the_guide_names() -> None:
    section = GUIDE.read_text(encoding="utf-8").partition("## The gate")[2].partition("\n## ")[0]
    named = re.findall(r"^\| `([^`]+)` \|", section, re.MULTILINE)
    assert len(named) == 4
    script = (
        (ROOT / ".ci" / "run")
        .read_text(encoding="utf-8")
        .replace('"$venv/bin/', "")
        .replace('"', "")
    )
    assert [command for command in named if command not in script] == []


if __name__ == "__main__":
    README.write_text(with_lists(README.read_text(encoding="utf-8")), encoding="utf-8")
