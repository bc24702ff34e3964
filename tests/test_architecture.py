"""The shape of the code, read from its syntax trees: who may import whom, and what is never named."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "loggerd"
MODULES = sorted(PACKAGE.rglob("*.py"))
SIMULATORS = sorted((ROOT / "simulators").rglob("*.py"))
PURE = ("model", "decoding", "analysis", "alarms", "wording")
"""In order: each may import those before it, and itself."""
HARMLESS = {
    "__future__", "bisect", "codecs", "collections", "collections.abc", "csv", "dataclasses", "datetime", "decimal",
    "enum", "fractions", "functools", "heapq", "itertools", "json", "math", "numpy", "numpy.typing", "operator", "re",
    "statistics", "struct", "typing",
}  # fmt: skip
_WRITES = ("write_coil", "write_register", "mask_write", "readwrite_registers", "write_file")
_LINES = {"ModbusLine", "SerialLinesLine", "TcpConnection", "RtuConnection"}
LONGEST_MODULE, LONGEST_FUNCTION = 400, 60


def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def _name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def _folder(path: Path) -> str:
    """The part of the package that a module is in: a folder, or the module itself at the top."""
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def _imports(path: Path) -> Iterator[str]:
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{_name(path)}: imports are written in full"
            assert node.module is not None
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names if node.module == "loggerd")


def _own_imports(path: Path) -> set[str]:
    """Parts of the package that a module imports."""
    return {module.split(".")[1] for module in _imports(path) if module.startswith("loggerd.")}


def _in(*folders: str) -> list[Path]:
    return [path for path in MODULES if _folder(path) in folders]


def _ids(paths: list[Path]) -> list[str]:
    return [_name(path) for path in paths]


PURE_MODULES = _in(*PURE)


def test_there_is_something_to_look_at() -> None:
    assert {_folder(path) for path in PURE_MODULES} >= {"model", "decoding", "analysis"}
    assert len(MODULES) > 80
    assert len(SIMULATORS) > 3


@pytest.mark.parametrize("path", PURE_MODULES, ids=_ids(PURE_MODULES))
def test_the_pure_core_knows_nothing_of_the_world(path: Path) -> None:
    allowed = set(PURE[: PURE.index(_folder(path)) + 1])
    assert _own_imports(path) <= allowed
    others = {module for module in _imports(path) if module.split(".")[0] != "loggerd"}
    assert others <= HARMLESS
    called = {
        node.func.id for node in ast.walk(_tree(path)) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert called.isdisjoint({"open", "print", "input", "exec", "eval", "__import__", "breakpoint"})
    asked = {node.attr for node in ast.walk(_tree(path)) if isinstance(node, ast.Attribute)}
    assert asked.isdisjoint({"now", "utcnow", "today", "monotonic", "sleep", "read_text", "write_text", "tofile"})


@pytest.mark.parametrize("folder", ["sources", "store", "outputs", "settings"])
def test_parts_do_not_know_what_puts_them_together(folder: str) -> None:
    above = {"service", "wiring", "cli", "recording", "demonstration", "__main__"}
    assert {_name(path): found for path in _in(folder) if (found := _own_imports(path) & above)} == {}


def test_data_flows_one_way() -> None:
    """Settings know nothing of sources and store; sources nothing of the store; the store nothing of either."""
    beyond = {
        "settings": {"sources", "store", "outputs", "analysis"},
        "sources": {"store", "outputs", "analysis", "settings"},
        "store": {"sources", "outputs", "analysis", "settings", "decoding"},
    }
    for folder, forbidden in beyond.items():
        assert {_name(path): found for path in _in(folder) if (found := _own_imports(path) & forbidden)} == {}


def _calls(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Call):
            called = node.func
            found.add(called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", ""))
    return found


def test_lines_are_made_in_one_place() -> None:
    assert {_name(path) for path in MODULES if _calls(path) & _LINES} == {"loggerd/wiring.py"}
    assert _calls(PACKAGE / "wiring.py") >= _LINES


def test_only_the_store_speaks_to_the_database() -> None:
    users = {_folder(path) for path in MODULES if any(module.split(".")[0] == "sqlite3" for module in _imports(path))}
    assert users == {"store"}


@pytest.mark.parametrize(
    ("library", "folder"), [("pymodbus", "sources"), ("serial", "sources"), ("influxdb_client", "outputs")]
)
def test_a_library_is_known_in_one_folder(library: str, folder: str) -> None:
    users = {_folder(path) for path in MODULES if any(module.split(".")[0] == library for module in _imports(path))}
    assert users <= {folder}


def test_no_function_that_writes_to_an_instrument_is_named_anywhere() -> None:
    """Modbus function codes 1 to 4 only. Names, attributes and texts are looked at."""
    found = []
    for path in MODULES:
        for node in ast.walk(_tree(path)):
            word = ""
            if isinstance(node, ast.Attribute):
                word = node.attr
            elif isinstance(node, ast.Name):
                word = node.id
            elif isinstance(node, ast.alias):
                word = node.name
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                word = node.value
            if any(write in word.lower() for write in _WRITES) or word.startswith(("WriteSingle", "WriteMultiple")):
                found.append((_name(path), word))
    assert found == []


@pytest.mark.parametrize("path", [*MODULES, *SIMULATORS], ids=_ids([*MODULES, *SIMULATORS]))
def test_modules_and_functions_can_be_read(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE
    long = [
        (node.name, node.end_lineno - node.lineno + 1)
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno is not None
        and node.end_lineno - node.lineno + 1 > LONGEST_FUNCTION
    ]
    assert long == []


@pytest.mark.parametrize("path", MODULES, ids=_ids(MODULES))
def test_errors_are_not_swallowed(path: Path) -> None:
    """What catches everything hands everything on."""
    for node in ast.walk(_tree(path)):
        if not isinstance(node, ast.ExceptHandler):
            continue
        names = {one.id for one in ast.walk(node.type) if isinstance(one, ast.Name)} if node.type else {"BaseException"}
        last = node.body[-1]
        hands_on = isinstance(last, ast.Raise) and last.exc is None
        assert hands_on or names.isdisjoint({"BaseException", "Exception"}), f"line {node.lineno}"


def test_no_two_test_modules_share_a_name() -> None:
    names = [path.name for path in sorted((ROOT / "tests").rglob("*.py")) if path.name != "conftest.py"]
    assert {name for name in names if names.count(name) > 1} == set()
