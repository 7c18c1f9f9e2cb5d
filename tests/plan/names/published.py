"""Published test data that packages ship: the public suffix vectors and the UTS 46 vectors.

`publicsuffixlist` ships `test_psl.txt` of the public suffix list (public domain). The UTS 46 vectors
come from `IdnaTestV2.txt` of Unicode 17, in the form that the source package of `idna` 3.20 has them
(tests/test_idna_uts46.py there, BSD-3 and the Unicode licence); `uts46.json` keeps a selection of
them, made by `python -m tests.plan.names.published FILE`.
"""

from __future__ import annotations

import ast
import json
import re
import sys
from importlib.resources import files
from pathlib import Path

STEP = 4  # every fourth of the 6,329 vectors is kept
KEPT = Path(__file__).parent / "uts46.json"
_SUFFIX = re.compile(r"^checkPublicSuffix\((null|'[^']*'), (null|'[^']*')\);", re.MULTILINE)


def suffix_vectors() -> list[tuple[str | None, str | None]]:
    """(name, what its holder registered or None) of every vector that is not commented out."""
    text = files("publicsuffixlist").joinpath("test_psl.txt").read_text("utf-8")
    return [(_said(name), _said(found)) for name, found in _SUFFIX.findall(text)]


def _said(text: str) -> str | None:
    return None if text == "null" else text[1:-1]


def uts46_vectors() -> list[tuple[str, str | None]]:
    """(name as typed, A-labels, or None where it must be refused)."""
    found: list[tuple[str, str | None]] = [(a, b) for a, b in json.loads(KEPT.read_text("utf-8"))]
    return found


def _gather(path: Path) -> list[tuple[str, str | None]]:
    """All vectors of the source package's test file, of the direction to ASCII."""
    found: dict[str, str | None] = {}
    for call in ast.walk(ast.parse(path.read_text("utf-8"))):
        if not isinstance(call, ast.Call) or not isinstance(call.func, ast.Attribute):
            continue
        arguments = call.args
        if call.func.attr == "assertRaises" and "encode" in ast.unparse(arguments[1]):
            found[ast.literal_eval(arguments[2])] = None
        elif call.func.attr == "assertEqual" and "encode" in ast.unparse(arguments[0]):
            assert isinstance(arguments[0], ast.Call)
            found[ast.literal_eval(arguments[0].args[0])] = ast.literal_eval(arguments[1]).decode()
    return sorted(found.items())


if __name__ == "__main__":
    every = _gather(Path(sys.argv[1]))
    json.dump(every[::STEP], sys.stdout, indent=0)
