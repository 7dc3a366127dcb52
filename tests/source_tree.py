"""The package's own source, parsed: which module imports what, and where. Nothing is executed."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent


class Import(NamedTuple):
    """One import: target is a dotted name. late: inside a function; typing: only under `if TYPE_CHECKING`."""

    target: str
    line: int
    late: bool = False
    typing: bool = False


def parse(folder: Path) -> dict[str, ast.Module]:
    """Every module below a package folder, by dotted name."""
    trees = {}
    for path in sorted(folder.rglob("*.py")):
        parts = path.relative_to(folder.parent).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        trees[name] = ast.parse(path.read_text(encoding="utf-8"), str(path))
    return trees


def imports(tree: ast.Module, ours: Mapping[str, object]) -> list[Import]:
    """Every import of a module, `import_module("...")` with a literal name included.

    `from a import b` means a.b where that is one of `ours`, else a; a name of the package itself is always spelt out.
    """
    return list(_imports(tree, ours, late=False, typing=False))


def _imports(node: ast.AST, ours: Mapping[str, object], *, late: bool, typing: bool) -> Iterator[Import]:
    for child in ast.iter_child_nodes(node):
        inner_late = late or isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        yield from (Import(name, line, late, typing) for name, line in _targets(child, ours))
        if isinstance(child, ast.If) and _is_type_checking(child.test):
            yield from _imports(ast.Module(child.body, []), ours, late=late, typing=True)
            yield from _imports(ast.Module(child.orelse, []), ours, late=late, typing=typing)
        else:
            yield from _imports(child, ours, late=inner_late, typing=typing)


def _is_type_checking(test: ast.expr) -> bool:
    return ast.unparse(test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING")


def _targets(node: ast.AST, ours: Mapping[str, object]) -> Iterator[tuple[str, int]]:
    if isinstance(node, ast.Import):
        for alias in node.names:
            yield alias.name, node.lineno
    elif isinstance(node, ast.ImportFrom):
        if node.level:
            raise AssertionError(f"line {node.lineno}: relative import; write the full name")
        for target in dict.fromkeys(_one_of_ours(node.module or "", alias.name, ours) for alias in node.names):
            yield target, node.lineno
    elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith(("import_module", "__import__")):
        yield from ((arg.value, node.lineno) for arg in node.args[:1]
                    if isinstance(arg, ast.Constant) and isinstance(arg.value, str))


def _one_of_ours(module: str, name: str, ours: Mapping[str, object]) -> str:
    return f"{module}.{name}" if module == "legtest" or f"{module}.{name}" in ours else module


def called_names(tree: ast.Module) -> Iterator[tuple[str, int]]:
    """Every use of an imported name or attribute, spelt in full: `from time import sleep as nap; nap` is time.sleep."""
    full: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            full |= {alias.asname or alias.name.split(".")[0]: alias.name if alias.asname else alias.name.split(".")[0]
                     for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            full |= {alias.asname or alias.name: f"{node.module}.{alias.name}" for alias in node.names}
    for node in ast.walk(tree):
        if isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Load):
            head, _, rest = ast.unparse(node).partition(".")
            if head in full:
                yield f"{full[head]}.{rest}" if rest else full[head], node.lineno
