"""`analysis` takes frames and arrays and gives results: no service, clock, file or environment."""

import ast
from pathlib import Path

import pytest

import analysis

FOLDER = Path(analysis.__file__).parent
MODULES = sorted(FOLDER.rglob("*.py"))

ALLOWED = {
    # computing
    "numpy", "polars", "scipy", "statsmodels", "pandas", "math", "statistics", "fractions", "heapq",
    "hashlib",
    # types and structure
    "analysis", "abc", "collections", "dataclasses", "enum", "functools", "itertools", "typing",
    "types", "warnings", "bisect", "operator", "copy", "string",
    # dates and times as values; asking for the present one is caught below
    "calendar", "datetime", "zoneinfo",
}  # fmt: skip

PRESENT_TIME = {"now", "utcnow", "today", "time", "time_ns", "perf_counter", "monotonic"}
OUTSIDE_WORLD = {
    "open", "print", "input", "exec", "eval", "__import__", "breakpoint", "read_csv", "scan_csv",
    "read_parquet", "write_csv", "write_parquet", "read_text", "write_text", "loadtxt", "savetxt",
    "genfromtxt", "getenv", "urlopen",
}  # fmt: skip


def imported(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute, so that they can be read here"
            yield node.module


def called(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            match node.func:
                case ast.Name(id=name) | ast.Attribute(attr=name):
                    yield name


def breaches(source):
    """What a module does that a pure one does not."""
    tree = ast.parse(source)
    foreign = {name for name in imported(tree) if name.split(".")[0] not in ALLOWED}
    return foreign | (set(called(tree)) & (PRESENT_TIME | OUTSIDE_WORLD))


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(FOLDER)))
def test_module_is_pure(module):
    assert breaches(module.read_text(encoding="utf-8")) == set()


@pytest.mark.parametrize(
    "source",
    [
        "import os",
        "import service.records",
        "from litestar import get",
        "def f():\n    from sqlalchemy import select",
        "from pathlib import Path",
        "import time",
        "import random",
        "from datetime import datetime\ndatetime.now()",
        "import datetime\ndatetime.date.today()",
        "open('x')",
        "import polars as pl\npl.read_csv('x')",
    ],
)
def test_a_breach_is_seen(source):
    """The check itself can fail: each of these is caught, lazy imports too."""
    assert breaches(source)


def test_there_are_modules_to_look_at():
    assert FOLDER / "deviation.py" in MODULES


def test_random_numbers_are_seeded():
    """A generator without a seed would give other answers to the same evidence."""
    for module in MODULES:
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and "default_rng" in ast.unparse(node.func):
                assert node.args or node.keywords, f"{module.name}:{node.lineno}"


@pytest.mark.parametrize("name", ["deviation", "repeatability", "capability", "remeasure"])
def test_heavy_libraries_wait_until_they_are_needed(name):
    """Importing the module alone loads neither statsmodels nor pandas nor scipy.stats."""
    import subprocess
    import sys

    code = (
        f"import sys, analysis.{name}\n"
        "print([m for m in ('statsmodels', 'pandas', 'scipy.stats', 'pint') if m in sys.modules])"
    )
    found = subprocess.run(  # noqa: S603 - our own interpreter and our own text
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert found.stdout.strip() == "[]"
