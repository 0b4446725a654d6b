"""The measures of the house: lines of code, sizes, unused names, imports past a room's face.

Run ``python -m tests.bench.house [FOLDER]``; another checkout's folder gives its figures, so two
states can be compared. A line of code is one that is not blank, comment or docstring.
"""

from __future__ import annotations

import ast
import io
import statistics
import sys
import tokenize
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SILENT = {
    tokenize.COMMENT,
    tokenize.NL,
    tokenize.NEWLINE,
    tokenize.INDENT,
    tokenize.DEDENT,
    tokenize.ENDMARKER,
}
TOOL = ("harness", "reports")
STANDS_ALONE = {"harness", "harness.agent"}
"""The agent has no face: each of its modules is a file for the board, and is named as that."""


@dataclass(frozen=True)
class Module:
    """A file of the tool or its tests, read."""

    name: str
    path: Path
    text: str
    tree: ast.Module

    @property
    def room(self) -> str:
        """``harness.rack``; a module at the top of the house is a room of its own."""
        parts = self.name.split(".")
        return parts[0] if parts[0] == "harness_reports" else ".".join(parts[:2])


def read(root: Path, *tops: str) -> list[Module]:
    """Read every module below these folders."""
    return [
        Module(_name(path.relative_to(root)), path, text, ast.parse(text))
        for top in tops
        for path in sorted(root.glob(f"{top}/**/*.py*"))
        if path.suffix in {".py", ".pyi"} and ".venv" not in path.parts
        for text in [path.read_text(encoding="utf-8")]
    ]


def _name(path: Path) -> str:
    parts = [part for part in path.with_suffix("").parts if part != "__init__"]
    return ".".join(parts[1:] if parts[0] == "reports" else parts)


def code_lines(module: Module) -> set[int]:
    """Numbers of the lines that are not blank, comment or docstring."""
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(module.text).readline):
        if token.type not in SILENT:
            lines.update(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(module.tree):
        match node:
            case ast.Expr(value=ast.Constant(value=str())):
                lines -= set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return lines


def function_sizes(modules: list[Module]) -> list[int]:
    """Lines of code of every function, its signature included."""
    return [
        len(lines & set(range(node.lineno, (node.end_lineno or node.lineno) + 1)))
        for module in modules
        for lines in [code_lines(module)]
        for node in ast.walk(module.tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    ]


def shown_names(face: ast.Module) -> list[tuple[str, str]]:
    """What a package shows by ``from MODULE import X as X``, as (module, name)."""
    return [
        (node.module or "", alias.name)
        for node in face.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
        if alias.name == alias.asname
    ]


def imports(module: Module) -> Iterator[tuple[str, str]]:
    """Every name that a module takes from another, as (module, name)."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            source = f"{module.name}.{node.module}" if node.level else node.module
            yield from ((source, alias.name) for alias in node.names)
        elif isinstance(node, ast.Attribute):
            whole, _, name = ast.unparse(node).rpartition(".")
            yield whole, name


def unused_names(modules: list[Module]) -> list[str]:
    """Names that a room shows and no other room, test or reader of the face takes from it."""
    taken = {
        pair
        for module in modules
        for pair in imports(module)
        if not f"{module.name}.".startswith(f"{pair[0]}.") or module.name == "harness"
    }
    return [
        f"{module.name}.{name}"
        for module in modules
        if module.name.startswith("harness") and module.name != "harness"
        for _, name in shown_names(module.tree)
        if (module.name, name) not in taken
    ]


def doors_passed_by(modules: list[Module]) -> list[str]:
    """Imports from inside another room of the tool instead of from its face."""
    names = {module.name for module in modules}
    rooms = {module.room for module in modules if module.path.name == "__init__.py"}
    return sorted(
        {
            f"{module.name} imports {source}"
            for module in modules
            for node in ast.walk(module.tree)
            if isinstance(node, ast.ImportFrom) and (source := node.module or "") in names
            for room in rooms
            if source.startswith(f"{room}.") and module.room != room and room not in STANDS_ALONE
        }
    )


def main(arguments: list[str]) -> None:
    """Print the measures of one checkout."""
    root = Path(arguments[0]) if arguments else Path(__file__).parents[2]
    tool, tests = read(root, *TOOL), read(root, "tests", "vectors", "ci")
    rooms = Counter[str]()
    for module in tool:
        rooms[module.room] += len(code_lines(module))
    for room, lines in rooms.most_common():
        print(f"{lines:7,}  {room}")
    print(f"{rooms.total():7,}  lines of code in the tool")
    print(f"{sum(len(code_lines(module)) for module in tests):7,}  in tests, demo and CI")
    modules = [size for module in tool if (size := len(code_lines(module)))]
    for thing, sizes in (("module", modules), ("function", function_sizes(tool))):
        print(
            f"{statistics.median(sizes):7.0f}  in the median {thing}, {max(sizes)} in the largest"
        )
    for what, found in (
        ("names shown that nobody imports", unused_names([*tool, *tests])),
        ("imports past the face of a room", doors_passed_by(tool)),
    ):
        print(f"{len(found):7}  {what}")
        for line in found:
            print(f"         {line}")


if __name__ == "__main__":
    main(sys.argv[1:])
