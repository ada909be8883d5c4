"""What findings name in their texts: looked up by name, for a plan has thousands of either."""

from __future__ import annotations

import re

from geotools.deliver.verify.plan import Plan

__all__ = ["Texts", "texts_naming"]

# Rules whose findings are looked up so: the names come before the first colon.
LOOKED_UP = frozenset(
    {
        "closure-over-place",
        "pits-shared",
        "street-shut",
        "string-in-the-way",
        "string-over-pit",
        "string-over-string",
    }
)
WORD = re.compile(r"[^\s:]+")
Texts = dict[str, dict[str, None]]  # by word the texts that hold it, each once, in their order


def texts_naming(plan: Plan, rule: str) -> Texts:
    """Return the texts of the findings of a rule by the words before their first colon.

    Those name what is told of: pits, strings or closures.
    """
    return plan.once("texts by word", lambda: _by_word(plan)).get(rule, {})


def _by_word(plan: Plan) -> dict[str, Texts]:
    """Read the texts of all rules that are looked up so."""
    out: dict[str, Texts] = {}
    for row in plan.rows("findings"):
        if row.rule in LOOKED_UP:
            words = out.setdefault(row.rule, {})
            for word in WORD.findall(row.text.partition(":")[0]):
                words.setdefault(word, {})[row.text] = None
    return out
