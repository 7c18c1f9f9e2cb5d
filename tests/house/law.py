"""The law of the house as pure functions: source text in, breaches out.

Each function takes modules as text, so that the tests can show it a planted breach as easily as
the real package. A breach is one line for a person: where, and what is wrong.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import ceil
from pathlib import Path

from tests.house.rooms import DOORS, EVERYTHING, PACKAGE, ROOM

FILE_LINES, FILE_LINES_P95 = 800, 600
FUNCTION_LINES, FUNCTION_LINES_P95 = 80, 40
COMMAND_LINES = 25

Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Module:
    """One file of the package. name: dotted, without `.__init__`; text: its source."""

    name: str
    text: str
    is_package: bool = False

    @property
    def tree(self) -> ast.Module:
        return ast.parse(self.text)

    @property
    def parts(self) -> tuple[str, ...]:
        return tuple(self.name.split(".")[1:])

    @property
    def room(self) -> str:
        """The room it belongs to; "" for a module directly in the package."""
        return self.parts[0] if self.parts and self.parts[0] in ROOM else ""

    @property
    def within(self) -> str:
        """Its place within the room: the first name below it, "" for the room itself."""
        return self.parts[1] if len(self.parts) > 1 else ""


def read_package(source: Path) -> dict[str, Module]:
    """All modules of the package below `source`, by dotted name."""
    found = {}
    for path in sorted((source / PACKAGE).rglob("*.py")):
        dotted = ".".join(path.relative_to(source).with_suffix("").parts)
        name = dotted.removesuffix(".__init__")
        found[name] = Module(name, path.read_text(encoding="utf-8"), name != dotted)
    return found


# --- imports -----------------------------------------------------------------------------------


def imported(module: Module) -> Iterator[tuple[int, str]]:
    """(line, dotted name) of everything a module imports, wherever in it, names included."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            origin = _origin(module, node)
            for alias in node.names:
                yield node.lineno, f"{origin}.{alias.name}"


def _origin(module: Module, node: ast.ImportFrom) -> str:
    if not node.level:
        return node.module or ""
    package = module.name.split(".") if module.is_package else module.name.split(".")[:-1]
    base = package[: len(package) - node.level + 1]
    return ".".join([*base, node.module] if node.module else base)


def import_breaches(modules: Mapping[str, Module]) -> list[str]:
    """Imports between rooms that the table does not allow, and files outside every room."""
    breaches = []
    for module in modules.values():
        door = module.name if not module.parts else module.parts[0]
        if not module.room and (len(module.parts) > 1 or (module.parts and door not in DOORS)):
            breaches.append(f"{module.name}: in no room of the table")
            continue
        allowed = ROOM[module.room].may_import if module.room else DOORS.get(door, frozenset())
        for line, target in imported(module):
            names = target.split(".")
            if names[0] != PACKAGE or len(names) < 2 or names[1] == module.room:
                continue
            if names[1] not in allowed:
                breaches.append(f"{module.name}:{line}: may not import {'.'.join(names[:2])}")
    return breaches


def import_cycles(modules: Mapping[str, Module]) -> list[str]:
    """One line per circle of modules that import each other, at once or inside a function."""
    edges = {name: _known_imports(module, modules) for name, module in modules.items()}
    return [" -> ".join([*circle, circle[0]]) for circle in _circles(edges)]


def _known_imports(module: Module, modules: Mapping[str, Module]) -> list[str]:
    targets = (
        next((name for name in _prefixes(target) if name in modules), module.name)
        for _, target in imported(module)
    )
    return sorted(set(targets) - {module.name, PACKAGE})


def _prefixes(dotted: str) -> Iterator[str]:
    names = dotted.split(".")
    for length in range(len(names), 0, -1):
        yield ".".join(names[:length])


def _circles(edges: Mapping[str, list[str]]) -> list[list[str]]:
    """Strongly connected components of more than one module (Tarjan 1972)."""
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    circles: list[list[str]] = []

    def visit(name: str) -> None:
        order[name] = low[name] = len(order)
        stack.append(name)
        for target in edges[name]:
            if target not in order:
                visit(target)
            if target in stack:
                low[name] = min(low[name], low[target])
        if low[name] == order[name]:
            circle = stack[stack.index(name) :]
            del stack[stack.index(name) :]
            if len(circle) > 1:
                circles.append(sorted(circle))

    for name in edges:
        if name not in order:
            visit(name)
    return circles


# --- effects -----------------------------------------------------------------------------------

BANNED_MODULES = frozenset(
    "os pathlib subprocess socket time random secrets shutil tempfile glob select selectors signal"
    " asyncio threading multiprocessing concurrent urllib.request http ftplib smtplib ssl ctypes"
    " locale getpass platform pty fcntl fileinput".split()
)
BANNED_NAMES = frozenset(
    "open print input eval exec breakpoint __import__"
    " io.open io.FileIO sys.stdin sys.stdout sys.stderr sys.argv sys.exit builtins.open"
    " builtins.print builtins.input datetime.datetime.now datetime.datetime.today"
    " datetime.datetime.utcnow datetime.date.today uuid.uuid1 uuid.uuid4 uuid.getnode"
    " importlib.import_module".split()
)


def effect_breaches(modules: Mapping[str, Module]) -> list[str]:
    """Places in pure files that read a clock, chance, a file, a device, or write anywhere."""
    return [
        f"{module.name}:{line}: touches the world with {what}"
        for module in modules.values()
        if not _may_touch(module)
        for line, what in effects(module)
    ]


def _may_touch(module: Module) -> bool:
    if not module.room:
        return module.parts[:1] == ("__main__",)
    allowed = ROOM[module.room].effects
    return EVERYTHING in allowed or module.within in allowed


def effects(module: Module) -> Iterator[tuple[int, str]]:
    """(line, what) of every banned import and every mention of a banned name."""
    tree = module.tree
    for line, target in imported(module):
        if target in BANNED_NAMES or BANNED_MODULES.intersection(_prefixes(target)):
            yield line, target
    meanings = _meanings(module)
    for node in ast.walk(tree):
        if isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Load):
            meaning = _meaning(node, meanings)
            if meaning in BANNED_NAMES:
                yield node.lineno, meaning


def _meanings(module: Module) -> dict[str, str]:
    """What each imported name stands for, so that `import datetime as d` hides nothing."""
    meanings = {}
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                meanings[alias.asname or alias.name.split(".")[0]] = (
                    alias.name if alias.asname else alias.name.split(".")[0]
                )
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                meanings[alias.asname or alias.name] = f"{_origin(module, node)}.{alias.name}"
    return meanings


def _meaning(node: ast.expr, meanings: Mapping[str, str]) -> str:
    if isinstance(node, ast.Name):
        return meanings.get(node.id, node.id)
    if isinstance(node, ast.Attribute):
        return f"{_meaning(node.value, meanings)}.{node.attr}"
    return "?"


# --- budgets, hints, docstrings ----------------------------------------------------------------


def percentile_95(values: list[int]) -> int:
    """The smallest value that at least 95 % of the values do not exceed; 0 of none."""
    return sorted(values)[ceil(0.95 * len(values)) - 1] if values else 0


def _functions(tree: ast.AST) -> Iterator[Function]:
    return (node for node in ast.walk(tree) if isinstance(node, Function))


def _length(node: Function) -> int:
    return (node.end_lineno or node.lineno) - node.lineno + 1


def budget_breaches(modules: Mapping[str, Module]) -> list[str]:
    """Files and functions over their length, singly and at the 95th percentile."""
    files = {name: len(module.text.splitlines()) for name, module in modules.items()}
    lengths = {
        f"{name}:{node.lineno} {node.name}": _length(node)
        for name, module in modules.items()
        for node in _functions(module.tree)
    }
    breaches = [f"{n}: {c} lines, over {FILE_LINES}" for n, c in files.items() if c > FILE_LINES]
    breaches += [
        f"{name}: {count} lines, over {FUNCTION_LINES}"
        for name, count in lengths.items()
        if count > FUNCTION_LINES
    ]
    if (p95 := percentile_95(list(files.values()))) > FILE_LINES_P95:
        breaches.append(f"files: 95th percentile {p95} lines, over {FILE_LINES_P95}")
    if (p95 := percentile_95(list(lengths.values()))) > FUNCTION_LINES_P95:
        breaches.append(f"functions: 95th percentile {p95} lines, over {FUNCTION_LINES_P95}")
    return breaches


def command_breaches(modules: Mapping[str, Module]) -> list[str]:
    """Commands of the command line with more than their share of lines, docstring aside."""
    breaches = []
    for module in modules.values():
        if module.room != "cli":
            continue
        for node in _functions(module.tree):
            body = node.body[1:] if ast.get_docstring(node) is not None else node.body
            if not _is_command(node) or not body:
                continue
            lines = (body[-1].end_lineno or 0) - body[0].lineno + 1
            if lines > COMMAND_LINES:
                breaches.append(f"{module.name}:{node.lineno} {node.name}: {lines} lines of body")
    return breaches


def _is_command(node: Function) -> bool:
    names = (d.func if isinstance(d, ast.Call) else d for d in node.decorator_list)
    return any(_meaning(name, {}).split(".")[-1] in ("command", "group") for name in names)


def hint_breaches(modules: Mapping[str, Module]) -> list[str]:
    """Functions with an argument or a result that has no type."""
    return [
        f"{module.name}:{node.lineno} {node.name}: no type for {', '.join(bare)}"
        for module in modules.values()
        for node in _functions(module.tree)
        if (bare := list(_bare(node)))
    ]


def _bare(node: Function) -> Iterator[str]:
    arguments = node.args
    every = [*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs]
    every += [extra for extra in (arguments.vararg, arguments.kwarg) if extra]
    for place, argument in enumerate(every):
        if argument.annotation is None and not (place == 0 and argument.arg in ("self", "cls")):
            yield argument.arg
    if node.returns is None:
        yield "the result"


def docstring_breaches(modules: Mapping[str, Module]) -> list[str]:
    """Modules that do not say what they are for."""
    return [f"{name}: no docstring" for name, m in modules.items() if not ast.get_docstring(m.tree)]


# --- escaping ----------------------------------------------------------------------------------

# Element names of HTML and SVG, from memory of the living standards.
_ELEMENTS = (
    "a abbr article aside b body br button caption circle code col dd defs details div dl dt em"
    " figcaption figure footer form g h[1-6] head header hr html i img input kbd label li line"
    " link main mark meta nav ol option p path polygon polyline pre rect samp script section"
    " select small span strong style sub summary sup svg symbol table tbody td text textarea"
    " tfoot th thead time title tr tspan u ul use var"
)
_TAG = re.compile(
    rf"(?<!\?P)<[/!]?(?:{'|'.join(_ELEMENTS.split())}|doctype|!--)(?=[\s/>{{%]|$)", re.IGNORECASE
)


def markup_breaches(modules: Mapping[str, Module]) -> list[str]:
    """Markup built from strings in Python, and templates that do not escape.

    Markup belongs into templates whose surroundings escape every value, so text that holds a tag
    is a breach unless it is a docstring.
    """
    breaches = []
    for module in modules.values():
        tree, meanings = module.tree, _meanings(module)
        documentation = _docstrings(tree)
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                if id(node) not in documentation and _TAG.search(node.value):
                    breaches.append(f"{module.name}:{node.lineno}: markup in a string")
            elif isinstance(node, ast.Call):
                meaning = _meaning(node.func, meanings)
                if fault := _unescaped(meaning, node):
                    breaches.append(f"{module.name}:{node.lineno}: {fault}")
    return breaches


def _docstrings(tree: ast.Module) -> set[int]:
    holders = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    return {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, holders) and node.body and isinstance(node.body[0], ast.Expr)
    }


def _unescaped(meaning: str, call: ast.Call) -> str | None:
    last = meaning.split(".")[-1]
    if last in ("Markup", "markup_safe"):
        return "vouches for markup by hand"
    if meaning.startswith("jinja2.") and last in ("Environment", "Template"):
        said = {word.arg: word.value for word in call.keywords}.get("autoescape")
        off = said is None or (isinstance(said, ast.Constant) and said.value is not True)
        return "templates without autoescape=True" if off else None
    return None


def template_breaches(templates: Mapping[str, str]) -> list[str]:
    """Templates that switch escaping off for a value or a stretch."""
    pattern = re.compile(r"\|\s*safe\b|autoescape\s+false", re.IGNORECASE)
    return [
        f"{name}:{number}: switches escaping off"
        for name, text in templates.items()
        for number, line in enumerate(text.splitlines(), 1)
        if pattern.search(line)
    ]
