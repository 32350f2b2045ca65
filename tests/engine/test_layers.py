"""The core knows no sound, disk, web or database: checked on the imports themselves."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "assistant"
CORE = [path for folder in ("procedure", "engine", "figures") for path in sorted((PACKAGE / folder).glob("*.py"))]
MAY_IMPORT = {
    "procedure": {"procedure", "figures", "errors"},
    "engine": {"engine", "procedure", "figures", "errors"},
    "figures": {"figures", "errors"},
    "language": {"language", "engine", "procedure", "figures", "errors"},
}
OUTSIDE = {"sqlite3", "sounddevice", "soundfile", "vosk", "pocketsphinx", "pyttsx3", "rich", "click", "jinja2", "socket", "subprocess"}


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found


@pytest.mark.parametrize("path", CORE + sorted((PACKAGE / "language").glob("*.py")), ids=lambda path: f"{path.parent.name}/{path.name}")
def test_a_layer_imports_only_what_is_below_it(path):
    allowed = MAY_IMPORT[path.parent.name]
    for name in imports(path):
        parts = name.split(".")
        if parts[0] == "assistant" and len(parts) > 1:
            assert parts[1] in allowed, f"{path.name} imports {name}"
        assert parts[0] not in OUTSIDE, f"{path.name} imports {name}"


@pytest.mark.parametrize("path", [path for path in PACKAGE.rglob("*.py") if path.name not in ("cli.py", "rehearse.py", "speak_worker.py", "microphone_worker.py")], ids=lambda path: path.name)
def test_the_library_neither_prints_nor_exits(path):
    calls = {node.func.id for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert not calls & {"print", "exit", "quit", "input"}
