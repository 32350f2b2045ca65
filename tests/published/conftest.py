"""Lists, after the tests in this folder, the source beside each check."""

import ast
from pathlib import Path

HERE = Path(__file__).parent


def sources(path: Path) -> list[str]:
    """The module's own words on its sources, then the comment that stands above each check."""
    text = path.read_text(encoding="utf-8")
    tree, lines = ast.parse(text), text.splitlines()
    found = [" ".join((ast.get_docstring(tree) or "").split())]
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            first = min([node.lineno, *(decorator.lineno for decorator in node.decorator_list)]) - 2
            comment: list[str] = []
            while first >= 0 and lines[first].startswith("#"):
                comment.insert(0, lines[first].lstrip("# "))
                first -= 1
            inner = (ast.get_docstring(node) or "").split()
            words = " ".join([*comment, *inner])
            if words:
                found.append(f"{node.name}: {words}")
    return found


def pytest_terminal_summary(terminalreporter) -> None:
    ran = {Path(report.fspath).name for reports in terminalreporter.stats.values() for report in reports if hasattr(report, "fspath") and "published" in str(report.fspath)}
    if not ran:
        return
    terminalreporter.section("sources")
    for name in sorted(ran):
        terminalreporter.write_line(name)
        for line in sources(HERE / name):
            terminalreporter.write_line(f"  {line}")
