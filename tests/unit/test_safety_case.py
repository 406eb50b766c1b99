"""The safety case names tests; each of them must be there."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CASE = TEXT[TEXT.index("## Safety case") : TEXT.index("## Known from the trade only")]
ROWS = [line for line in CASE.splitlines() if line.startswith("| ")][1:]
NAMED = sorted(set(re.findall(r"`(tests/[\w/]+\.py(?:::\w+)?)`", CASE)))


@pytest.mark.parametrize("named", NAMED)
def test_what_the_safety_case_names_exists(named: str) -> None:
    path, _, name = named.partition("::")
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    defined = {node.name for node in tree.body if isinstance(node, (ast.FunctionDef, ast.ClassDef))}
    assert name in defined if name else any(one.startswith(("test_", "Test")) for one in defined)


def test_every_hazard_has_a_prevention_and_a_test() -> None:
    assert len(ROWS) >= 15
    for row in ROWS:
        hazard, prevention, tests = (cell.strip() for cell in row.strip("|").split("|"))
        assert hazard
        assert prevention
        assert "`tests/" in tests, hazard
