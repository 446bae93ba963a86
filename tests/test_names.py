"""One word for one thing: no two classes of the product share a name."""

import ast
from collections import defaultdict
from pathlib import Path

LOGGER = Path(__file__).parents[1] / "logger"


def test_no_class_name_is_used_twice() -> None:
    places: defaultdict[str, list[str]] = defaultdict(list)
    for path in sorted(LOGGER.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                places[node.name].append(f"{path.relative_to(LOGGER)}:{node.lineno}")
    assert {name: where for name, where in places.items() if len(where) > 1} == {}
