"""The rules of the house and what checks them: rooms, cycles, budgets, docstrings, words that do not belong.

Only source text is read; nothing of the package is imported. The tests are in test_architecture.py.
"""

from __future__ import annotations

import ast
import io
import re
import sys
import tokenize
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TypeGuard

PACKAGE = "emergence"

GROUND = ("errors", "dates", "randomness", "solar", "records", "sources", "loops")
MAY_IMPORT: dict[str, tuple[str, ...]] = {
    "degreedays": GROUND,
    "weather": GROUND,
    "water": (*GROUND, "weather"),
    "taxa": (*GROUND, "degreedays"),
    "season": GROUND,
    "journal": GROUND,
    "angling": GROUND,
    "forecast": (*GROUND, "weather", "water", "degreedays", "taxa"),
    "learning": (*GROUND, "water", "taxa", "forecast"),
    "runs": (*GROUND, "degreedays", "weather", "water", "taxa", "season", "journal", "forecast", "learning", "angling",
             "planning"),
    "verification": GROUND,
    "planning": GROUND,
    "report": (*GROUND, "runs.results", "runs.trip_results", "angling"),
} | dict.fromkeys(GROUND, GROUND)  # fmt: skip
"""What each room may import beside itself; ``runs.results`` means that module alone."""
HINDCASTS_ALSO = ("runs",)
"""Modules of verification whose name begins with hindcast run seasons again; scores and baselines do not."""

ONLY_IN = dict.fromkeys(
    ("meteostat", "requests", "urllib", "urllib3", "http", "httpx", "aiohttp", "ftplib", "socket"),
    f"{PACKAGE}.weather.meteostat",
) | {"vl_convert": f"{PACKAGE}.report"}
NOWHERE = ("matplotlib", "pylab", "seaborn", "plotly")
GROUND_LIBRARIES = ("numpy", "pydantic", "numba")

MODULE_LINES, BODY_LINES, KERNEL_LINES, PARAMETERS = 400, 40, 90, 7
MOST_EXCEPTIONS = 5
EXCEPTIONS: dict[str, str] = {}
"""Who may pass a budget, and why: "emergence/room/file.py" or "emergence/room/file.py:Class.function"."""

UNWANTED = {
    r"\b(?:TODO|FIXME|XXX)\b": "no unfinished work in the package",
    r"\braise\s+NotImplementedError\b": "no unfinished work in the package",
    r"pragma:\s*no\s*cover": "no code is hidden from coverage",
    r"(?<![\w.:/<*)\]}%-])/(?:tmp|home|root|Users|Volumes|usr|mnt|opt|var|srv|private|work\w*)\b(?!\w*\()": (
        "no absolute machine paths"
    ),
    r"\b[A-Za-z]:\\+[A-Za-z]": "no absolute machine paths",
}


@dataclass(frozen=True)
class Source:
    """One module's text and where it stands."""

    path: str
    text: str

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text, self.path)

    @property
    def is_package(self) -> bool:
        return self.path.endswith("/__init__.py")

    @property
    def module(self) -> str:
        return self.path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")

    @property
    def room(self) -> str:
        """The part of the package that the module belongs to, "" for the package itself."""
        parts = self.module.split(".")
        return "cli" if parts[1:2] == ["__main__"] else ".".join(parts[1:2])


@dataclass(frozen=True, order=True)
class Import:
    """One import statement, wherever it stands."""

    path: str
    line: int
    by: str
    name: str


House = Mapping[str, Source]


def house_of(files: Mapping[str, str]) -> House:
    """Return the sources by module name."""
    sources = [Source(path, text) for path, text in sorted(files.items())]
    return {source.module: source for source in sources}


# ---------------------------------------------------------------- imports


def imports_of(source: Source, house: House) -> list[Import]:
    """Return every import of a module: at the top, in functions, under TYPE_CHECKING, by import_module."""
    found: list[tuple[int, str]] = []
    for node in ast.walk(source.tree):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = _base(source, node.level, node.module or "")
            for alias in node.names:
                full = f"{base}.{alias.name}"
                found.append((node.lineno, full if full in house else base))
        elif _imports_by_name(node):
            found += [(node.lineno, name) for name in _dynamic(source, node, house)]
    return sorted({Import(source.path, line, source.module, name) for line, name in found})


def _imports_by_name(node: ast.AST) -> TypeGuard[ast.Call]:
    return isinstance(node, ast.Call) and _last(node) in ("import_module", "__import__")


def _literal(call: ast.Call) -> str:
    """Return the first argument where it is a plain text, else ""."""
    first = call.args[0] if call.args else None
    return first.value if isinstance(first, ast.Constant) and isinstance(first.value, str) else ""


def _base(source: Source, level: int, name: str) -> str:
    """Return the absolute name of a relative one."""
    if level == 0:
        return name
    parts = source.module.split(".")
    keep = parts[: len(parts) - level + source.is_package]
    return ".".join([*keep, name] if name else keep)


def _dynamic(source: Source, call: ast.Call, house: House) -> list[str]:
    """Return what import_module may import: its literal, or every module that a text in the file names."""
    if name := _literal(call):
        bare = name.lstrip(".")
        return [_base(source, len(name) - len(bare), bare)]
    constants = [node.value for node in ast.walk(source.tree) if isinstance(node, ast.Constant)]
    texts = {value for value in constants if isinstance(value, str)}
    names = {text.split(":")[0] for text in texts} & set(house)
    prefixes = tuple(t for t in texts if t.startswith(f"{PACKAGE}.") and t.endswith("."))
    return sorted(names | {module for module in house if prefixes and module.startswith(prefixes)})


def _dotted(node: ast.AST) -> str:
    if isinstance(node, ast.Call):
        return _dotted(node.func)
    if isinstance(node, ast.Attribute):
        return f"{_dotted(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


def _last(node: ast.AST) -> str:
    return _dotted(node).rpartition(".")[2]


def _own(name: str, house: House) -> str:
    """Return the module of the house that an imported name runs, "" when it is foreign."""
    while name and name not in house:
        name = name.rpartition(".")[0]
    return name


def _under(name: str, roots: tuple[str, ...]) -> bool:
    return any(name == root or name.startswith(root + ".") for root in roots)


def room_offences(house: House) -> list[str]:
    """Return imports that the table of rooms forbids."""
    offences = []
    for source in house.values():
        room = source.room
        if room and room != "cli" and room not in MAY_IMPORT:
            offences.append(f"{source.path}:1: room {room!r} is not in the table of rooms")
            continue
        allowed = (room, *MAY_IMPORT.get(room, ())) if room else ()
        if source.module.startswith(f"{PACKAGE}.verification.hindcast"):
            allowed = (*allowed, *HINDCASTS_ALSO)
        if room != "cli":
            offences += _hidden_imports(source)
        for found in imports_of(source, house):
            target = found.name.removeprefix(f"{PACKAGE}.")
            where = f"{found.path}:{found.line}: {found.by} imports {found.name}"
            if not _under(found.name, (PACKAGE,)) or target == PACKAGE or room == "cli":
                continue
            if _under(target, ("cli",)):
                offences.append(f"{where}; nobody imports cli")
            elif not _under(target, allowed):
                offences.append(f"{where}; {room or 'the package itself'} may import: {', '.join(allowed)}")
    return offences


def _hidden_imports(source: Source) -> list[str]:
    calls = [node for node in ast.walk(source.tree) if _imports_by_name(node) and not _literal(node)]
    return [f"{source.path}:{call.lineno}: import by a computed name; only cli may do that" for call in calls]


def library_offences(house: House, declared: set[str]) -> list[str]:
    """Return imports of other people's code in a room that must not know it."""
    offences = []
    for source in house.values():
        for found in imports_of(source, house):
            top = found.name.split(".")[0]
            where = f"{found.path}:{found.line}: {found.by} imports {found.name}"
            if top == PACKAGE:
                continue
            if top in NOWHERE:
                offences.append(f"{where}; nobody imports {top}")
            elif top in ONLY_IN and not _under(source.module, (ONLY_IN[top],)):
                offences.append(f"{where}; only {ONLY_IN[top]} may import {top}")
            elif top in sys.stdlib_module_names:
                continue
            elif source.room in GROUND and top not in GROUND_LIBRARIES:
                offences.append(f"{where}; of libraries ground imports {' and '.join(GROUND_LIBRARIES)} only")
            elif top not in declared:
                offences.append(f"{where}; not among the dependencies of pyproject.toml")
    return offences


def cycle_offences(house: House) -> list[str]:
    """Return the strongly connected groups of modules, with the imports that tie each."""
    imports = [found for source in house.values() for found in imports_of(source, house)]
    edges = [(found, _own(found.name, house)) for found in imports]
    after = {module: {to for found, to in edges if to and found.by == module} for module in house}
    reach = {module: reachable(module, after) for module in house}
    groups = {frozenset(n for n in reach[m] if m in reach[n]) for m in house if m in reach[m]}
    offences = []
    for group in sorted(groups, key=sorted):
        inside = [(found, to) for found, to in sorted(edges) if {found.by, to} <= group]
        ties = [f"    {found.path}:{found.line}: {found.by} imports {to}" for found, to in inside]
        offences.append("\n".join([f"cycle of {', '.join(sorted(group))}", *ties]))
    return offences


def reachable(start: str, after: Mapping[str, set[str]]) -> set[str]:
    """Return everything that can be come to from ``start``, itself only where a way leads back."""
    seen: set[str] = set()
    waiting = list(after[start])
    while waiting:
        module = waiting.pop()
        if module not in seen:
            seen.add(module)
            waiting += after[module]
    return seen


# ---------------------------------------------------------------- budgets

Function = ast.FunctionDef | ast.AsyncFunctionDef
Named = Function | ast.ClassDef


def functions_in(node: ast.AST, prefix: str = "") -> Iterator[tuple[str, Function, bool]]:
    """Yield (qualified name, function, is a method) of every function, nested ones too."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, Function):
            yield prefix + child.name, child, isinstance(node, ast.ClassDef)
        yield from functions_in(child, f"{prefix}{child.name}." if isinstance(child, Named) else prefix)


def code_lines(source: Source) -> set[int]:
    """Return the numbers of the lines that hold code: no blanks, comments or bare strings (docstrings)."""
    silent = {
        tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER,
    }  # fmt: skip
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source.text).readline):
        if token.type not in silent:
            lines.update(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(source.tree):
        if _is_bare_text(node):
            lines.difference_update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    texts = source.text.splitlines()
    return {line for line in lines if texts[line - 1].strip()}


def _is_bare_text(node: ast.AST) -> TypeGuard[ast.Expr]:
    value = node.value if isinstance(node, ast.Expr) else None
    return isinstance(value, ast.Constant) and isinstance(value.value, str)


def is_kernel(source: Source, function: Function) -> bool:
    """Return whether the def line (or lines) carries the comment ``# kernel``."""
    last = max(function.lineno + 1, function.body[0].lineno)
    signature = source.text.splitlines()[function.lineno - 1 : last - 1]
    return any(re.search(r"#\s*kernel\b", line) for line in signature)


def is_command(function: Function) -> bool:
    """Return whether click calls the function."""
    names = [_dotted(decorator) for decorator in function.decorator_list]
    return any(n.startswith("click.") or n.rpartition(".")[2] in ("command", "group") for n in names)


def parameter_count(function: Function, method: bool) -> int:
    """Return the number of parameters, keyword-only ones counted, the bound first one not."""
    a = function.args
    static = any(_dotted(decorator) == "staticmethod" for decorator in function.decorator_list)
    named = len(a.posonlyargs) + len(a.args) + len(a.kwonlyargs)
    return named + (a.vararg is not None) + (a.kwarg is not None) - (method and not static)


def budget_offences(house: House) -> dict[str, str]:
    """Return what is too large: key for the list of exceptions -> sentence."""
    offences: dict[str, str] = {}
    for source in house.values():
        lines = code_lines(source)
        if len(lines) > MODULE_LINES:
            offences[source.path] = f"{source.path}:1: {len(lines)} code lines, at most {MODULE_LINES}"
        for name, function, method in functions_in(source.tree):
            where = f"{source.path}:{function.lineno}: {name}"
            body = lines & set(range(function.body[0].lineno, (function.end_lineno or 0) + 1))
            most = KERNEL_LINES if is_kernel(source, function) else BODY_LINES
            said = []
            if len(body) > most:
                said.append(f"{where} has a body of {len(body)} code lines, at most {most}")
            count = parameter_count(function, method)
            if count > PARAMETERS and not is_command(function):
                said.append(f"{where} has {count} parameters, at most {PARAMETERS}")
            if said:
                offences[f"{source.path}:{name}"] = "\n".join(said)
    return offences


# ---------------------------------------------------------------- docstrings and words


def docstring_offences(house: House) -> list[str]:
    """Return modules, public classes and public functions without a docstring."""
    offences = []
    for source in house.values():
        if not ast.get_docstring(source.tree):
            offences.append(f"{source.path}:1: the module has no docstring")
        for name, node in public_names(source.tree):
            if not ast.get_docstring(node):
                offences.append(f"{source.path}:{node.lineno}: {name} has no docstring")
    return offences


def public_names(node: ast.Module | ast.ClassDef, prefix: str = "") -> Iterator[tuple[str, Named]]:
    """Yield (qualified name, node) of public classes, functions and methods."""
    for child in node.body:
        if not isinstance(child, Named) or child.name.startswith("_"):
            continue
        if {"overload", "setter", "deleter"} & {_last(decorator) for decorator in child.decorator_list}:
            continue
        yield prefix + child.name, child
        if isinstance(child, ast.ClassDef):
            yield from public_names(child, f"{prefix}{child.name}.")


def word_offences(files: Mapping[str, str]) -> list[str]:
    """Return words that do not belong in the package."""
    offences = []
    for path, text in sorted(files.items()):
        for number, line in enumerate(text.splitlines(), start=1):
            for pattern, rule in UNWANTED.items():
                if hit := re.search(pattern, line):
                    offences.append(f"{path}:{number}: {hit.group()!r}; {rule}")
    return offences
