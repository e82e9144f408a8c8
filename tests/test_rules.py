"""The list of all rules: complete, plain, and each of them made to speak by a test."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from desurvey.problems import Rule
from desurvey.study import RULES

ROOT = Path(__file__).parents[1]


def test_every_rule_has_a_name_a_reason_and_advice():
    assert len({rule.id for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert re.fullmatch(r"[a-z]+(_[a-z]+)*", rule.id)
        assert rule.severity in {"error", "warning", "note"}
        assert rule.stops == "nothing" or rule.severity == "error", f"{rule.id}: what stops something is an error"
        for text in (rule.reason, rule.suggestion):
            assert text
            assert not text.endswith(".")
            assert "\n" not in text


def test_every_rule_made_anywhere_in_the_engine_is_listed():
    listed = {rule.id for rule in RULES}
    made = set()
    for file in (ROOT / "desurvey").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == Rule.__name__:
                made.add(node.args[0].value)
    assert {name for name in made if name not in listed} == set()


def test_every_rule_is_made_to_speak_by_some_test():
    """Each id stands as a text in a test or in the corpus: nobody has seen a rule work that nothing breaks."""
    texts = {
        node.value
        for folder in ("tests", "tests/corpus")
        for file in (ROOT / folder).glob("*.py")
        if file.name != Path(__file__).name
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    assert {rule.id for rule in RULES} - texts == set()
