"""What import-linter cannot say: rules import the standard library alone, models only enums from them."""

import ast
import sys
from collections.abc import Iterator
from enum import Enum
from importlib import import_module
from pathlib import Path

import pytest

RESUPPLY = Path(__file__).resolve().parents[2] / "resupply"
RULES = sorted((RESUPPLY / "rules").glob("*.py"))
MODELS = sorted((RESUPPLY / "models").glob("*.py"))


def imports(file: Path) -> Iterator[tuple[str, str | None]]:
    """Yield (module, name) of every import in a file; the name is None for a plain `import module`."""
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            yield from ((alias.name, None) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file.name}: imports name the whole path"
            yield from ((node.module or "", alias.name) for alias in node.names)


@pytest.mark.parametrize("file", RULES, ids=lambda file: file.stem)
def test_rules_import_the_standard_library_and_each_other_alone(file: Path) -> None:
    for module, _ in imports(file):
        assert module.startswith("resupply.rules") or module.split(".")[0] in sys.stdlib_module_names, module


@pytest.mark.parametrize("file", MODELS, ids=lambda file: file.stem)
def test_models_take_nothing_but_enums_from_the_rules(file: Path) -> None:
    for module, name in imports(file):
        if module.startswith("resupply.rules"):
            assert name is not None, module
            assert issubclass(getattr(import_module(module), name), Enum), f"{module}.{name}"


def test_there_is_something_to_look_at() -> None:
    assert len(RULES) > 5
    assert len(MODELS) > 5


def clock_readings(file: Path) -> Iterator[str]:
    """Yield where a file asks the machine for the time, as `datetime.now(...)` does."""
    for node in ast.walk(ast.parse(file.read_text())):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
            continue
        owner = node.func.value
        if not isinstance(owner, ast.Name) or owner.id not in {"datetime", "date", "timezone", "time"}:
            continue
        always = node.func.attr in {"now", "today", "utcnow", "time"}
        if always or (node.func.attr in {"localtime", "localdate"} and not node.args):
            yield f"{file.name}:{node.lineno} {owner.id}.{node.func.attr}()"


def test_the_clock_alone_asks_the_machine_for_the_time() -> None:
    files = [file for file in RESUPPLY.rglob("*.py") if "migrations" not in file.parts]
    found = {file: list(clock_readings(file)) for file in files}
    assert len(found.pop(RESUPPLY / "clock.py")) == 1
    assert not [reading for readings in found.values() for reading in readings]
