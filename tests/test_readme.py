"""The README says what the program does: its lists of layers, its commands, its settings.

``python tests/test_readme.py`` writes the lists of layers anew.
"""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest

from geotools.brief import Brief, load_brief
from geotools.schema import INPUTS, OUTPUTS, describe
from geotools.tool import builtin

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
LISTS = {"inputs": INPUTS, "outputs": OUTPUTS}


def with_lists(text: str) -> str:
    """Return the text with its marked lists of layers made anew from the contract."""
    for name, layers in LISTS.items():
        marked = re.compile(f"(<!-- {name} -->\n).*?(<!-- /{name} -->\n)", re.DOTALL)
        found = marked.findall(text)
        if len(found) != 1:
            raise ValueError(f"the README marks {len(found)} places for the list of {name}")
        text = marked.sub("".join([found[0][0], describe(layers), found[0][1]]), text)
    return text


def blocks(language: str) -> list[str]:
    """Return the fenced blocks of one language; plain ones for the empty name."""
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", README.read_text(), re.DOTALL | re.MULTILINE)
    return [text for name, text in fenced if name == language]


def commands() -> list[list[str]]:
    """Every command line in the README's plain blocks, cut at &&."""
    lines = [line for block in blocks("") for line in block.splitlines()]
    return [shlex.split(part) for line in lines for part in line.split("&&")]


def test_lists_of_layers_are_those_of_the_contract() -> None:
    text = README.read_text()
    assert with_lists(text) == text, "run: python tests/test_readme.py"


def test_every_slipmain_command_shown_is_one_with_those_options() -> None:
    shown = [words for words in commands() if Path(words[0]).name == "slipmain"]
    assert len(shown) >= 3
    for _, name, *rest in shown:
        tool = builtin()[name]
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


if __name__ == "__main__":
    README.write_text(with_lists(README.read_text()))
