"""What a plain scalar means: the core schema of YAML 1.2.2, section 10.3.

`yes`, `no`, `on` and `off` are text here, and so is 08:00; YAML 1.1 had other ideas.
"""

from __future__ import annotations

import re

NULL = re.compile(r"(?:null|Null|NULL|~)?")
BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
INT = re.compile(r"[-+]?[0-9]+")
OCTAL = re.compile(r"0o[0-7]+")
HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+")
FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
INFINITY = re.compile(r"[-+]?\.(?:inf|Inf|INF)")
NOT_A_NUMBER = re.compile(r"\.(?:nan|NaN|NAN)")
MOST_DIGITS = 400  # nothing in a charter needs more; Python itself stops at 4 300

Value = str | int | float | bool | None


def resolve(text: str) -> Value:
    """The value of a plain scalar without a tag."""
    if not text or text[0] not in "0123456789+-.~nNtTfF":
        return text or None
    if NULL.fullmatch(text):
        return None
    if BOOL.fullmatch(text):
        return text[0] in "tT"
    return _number(text)


def _number(text: str) -> Value:
    if len(text) > MOST_DIGITS:
        return text
    if INT.fullmatch(text):
        return int(text)
    if OCTAL.fullmatch(text):
        return int(text, 8)
    if HEXADECIMAL.fullmatch(text):
        return int(text, 16)
    if FLOAT.fullmatch(text):
        return float(text)
    if INFINITY.fullmatch(text):
        return float(text.replace(".", ""))
    if NOT_A_NUMBER.fullmatch(text):
        return float("nan")
    return text
