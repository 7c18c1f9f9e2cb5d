"""Short files, short functions, short commands, types and docstrings everywhere, safe markup."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import LONG
from tests.house.conftest import Plant
from tests.house.law import (
    Module,
    budget_breaches,
    command_breaches,
    docstring_breaches,
    hint_breaches,
    markup_breaches,
    percentile_95,
    template_breaches,
)


def _function(name: str, lines: int) -> str:
    return f"def {name}():\n" + "    pass\n" * (lines - 1)


def test_files_and_functions_keep_their_budgets(package: dict[str, Module]) -> None:
    assert budget_breaches(package) == []


def test_commands_are_short(package: dict[str, Module]) -> None:
    assert command_breaches(package) == []


def test_every_function_has_types(package: dict[str, Module]) -> None:
    assert hint_breaches(package) == []


def test_the_files_that_are_begun_first_are_there(root: Path) -> None:
    assert [name for name in LONG if not (root / "tests" / name).is_file()] == []


def test_every_module_says_what_it_is_for(package: dict[str, Module]) -> None:
    assert docstring_breaches(package) == []


def test_no_markup_is_built_from_strings(package: dict[str, Module]) -> None:
    assert markup_breaches(package) == []


def test_no_template_switches_escaping_off(root: Path) -> None:
    paths = sorted((root / "src").rglob("*.j2"))
    assert paths, "the page has templates"
    templates = {str(path.relative_to(root)): path.read_text("utf-8") for path in paths}
    assert template_breaches(templates) == []


def test_the_95th_percentile_is_the_value_that_95_of_100_do_not_exceed() -> None:
    assert percentile_95(list(range(1, 101))) == 95
    assert percentile_95([7]) == 7
    assert percentile_95([]) == 0


def test_a_planted_long_file_is_found(plant: Plant) -> None:
    assert budget_breaches(plant({"netcharter.plan.long": "#\n" * 801})) == [
        "netcharter.plan.long: 801 lines, over 800",
        "files: 95th percentile 801 lines, over 600",
    ]


def test_planted_files_that_are_long_together_are_found(plant: Plant) -> None:
    modules = plant({f"netcharter.plan.m{n}": "#\n" * 601 for n in range(3)})
    assert budget_breaches(modules) == ["files: 95th percentile 601 lines, over 600"]


def test_a_planted_long_function_is_found(plant: Plant) -> None:
    short = "".join(_function(f"f{n}", 2) for n in range(30))
    text = short + _function("long", 81)
    assert budget_breaches(plant({"netcharter.plan.m": text})) == [
        "netcharter.plan.m:61 long: 81 lines, over 80"
    ]
    text = "".join(_function(f"f{n}", 41) for n in range(3))
    assert budget_breaches(plant({"netcharter.plan.m": text})) == [
        "functions: 95th percentile 41 lines, over 40"
    ]


@pytest.mark.parametrize("decorator", ["@main.command()", "@click.command", "@cli.group('x')"])
def test_a_planted_long_command_is_found_and_its_docstring_not_counted(
    plant: Plant, decorator: str
) -> None:
    def command(lines: int) -> dict[str, Module]:
        body = '    """Check\n\n    a charter."""\n' + "    pass\n" * lines
        return plant({"netcharter.cli.m": f"{decorator}\ndef check():\n{body}"})

    assert command_breaches(command(25)) == []
    assert command_breaches(command(26)) == ["netcharter.cli.m:2 check: 26 lines of body"]


@pytest.mark.parametrize(
    ("text", "bare"),
    [
        ("def f(a) -> int: ...", "a"),
        ("def f(a: int): ...", "the result"),
        ("def f(*a, b: int) -> int: ...", "a"),
        ("def f(**k) -> int: ...", "k"),
        ("class C:\n    def f(self, a) -> int: ...", "a"),
        ("def f() -> int:\n    async def g(x: int, /, y) -> int: ...", "y"),
    ],
)
def test_a_planted_function_without_types_is_found(plant: Plant, text: str, bare: str) -> None:
    (breach,) = hint_breaches(plant({"netcharter.plan.m": text}))
    assert breach.endswith(f"no type for {bare}")


def test_a_planted_module_without_a_docstring_is_found(plant: Plant) -> None:
    modules = plant({"netcharter.plan.a": "x = 1", "netcharter.plan.b": '"""Hours."""'})
    assert docstring_breaches(modules) == ["netcharter.plan.a: no docstring"]


@pytest.mark.parametrize(
    "text",
    [
        "page = f'<td>{name}</td>'",
        "page = '<b>' + name + '</b>'",
        "page = '<svg viewBox=\"{}\">'.format(box)",
        "page = '<!doctype html>'",
        "rows = ''.join(f'<li {extra}' for extra in more)",
        "from markupsafe import Markup\nMarkup(name)",
        "import markupsafe as m\nm.Markup(name)",
        "from jinja2 import Environment\nEnvironment()",
        "import jinja2\njinja2.Environment(autoescape=False)",
        "from jinja2 import Template as T\nT(text)",
    ],
)
def test_planted_markup_outside_a_template_is_found(plant: Plant, text: str) -> None:
    assert len(markup_breaches(plant({"netcharter.report.m": text}))) >= 1


@pytest.mark.parametrize(
    "text",
    [
        '"""Draws the <svg> of the site."""',
        "def f():\n    'Fills <table>.'",
        "message = f'{a} < {b} and {c}>{d}'",
        "usage = '<charter>'",
        "pattern = '(?P<code>[0-9]+)'",
        "from jinja2 import Environment\nEnvironment(autoescape=True)",
        "from jinja2 import Environment as E, select_autoescape as s\nE(autoescape=s())",
    ],
)
def test_what_only_looks_like_markup_is_let(plant: Plant, text: str) -> None:
    assert markup_breaches(plant({"netcharter.report.m": text})) == []


def test_a_planted_template_that_does_not_escape_is_found() -> None:
    templates = {
        "a.j2": "<p>{{ name|safe }}</p>",
        "b.j2": "{% autoescape false %}{{ name }}{% endautoescape %}",
        "c.j2": "<p>{{ name }} is safe</p>",
    }
    assert template_breaches(templates) == [
        "a.j2:1: switches escaping off",
        "b.j2:1: switches escaping off",
    ]
