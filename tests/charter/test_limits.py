"""Limits and hostile input: always a diagnostic with a place, never an exception."""

from __future__ import annotations

import pytest

from netcharter.charter.read import Reading, Unreadable, read
from netcharter.diagnostics.text import render
from tests.charter.kit import charter, reading


def ids(found: Reading) -> list[str]:
    return [d.id for d in found.diagnostics]


@pytest.mark.parametrize("data", [b"a: b\n" * 2_000_000, "é" * 5_000_000])
def test_ten_megabytes_are_too_large(data: str | bytes) -> None:
    found = read(data, "big.yaml")
    assert ids(found) == ["too-large"] and found.charter is None
    assert len(found.texts["big.yaml"]) <= 4 * 1024 * 1024


def test_more_than_200_000_values_are_too_many() -> None:
    found = reading("a:\n" + "- 1\n" * 200_000)
    assert ids(found) == ["too-many"]
    assert found.diagnostics[0].span.line > 190_000


def test_aliases_that_multiply_are_stopped() -> None:
    lines = ["a0: &a0 [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 9)]
    found = reading("\n".join(lines))
    assert ids(found) == ["alias-budget"]
    assert found.diagnostics[0].span.line <= 6


def test_aliases_within_the_budget_work() -> None:
    found = reading(charter(rules="rules:\n  - {let: &w [office], reach: internet, with: &s ssh}\n"
                                  "  - {let: *w, reach: gateway, with: *s}"))  # fmt: skip
    assert found.diagnostics == () and found.charter is not None
    assert found.charter.rules[1].who == ("office",)
    assert found.charter.where("rules", 1, "let").line == 6  # where the value is written


@pytest.mark.parametrize(
    "text", ["[" * 1_000_000, "- " * 100_000, "{a: " * 300_000, "? " * 100_000]
)
def test_a_million_open_brackets_are_too_deep_or_no_yaml(text: str) -> None:
    assert ids(reading(text)) in (["too-deep"], ["yaml-syntax"])


def test_more_than_64_files_are_too_many() -> None:
    files: dict[str, str | bytes] = {f"f{n}.yaml": f"include: f{n + 1}.yaml\n" for n in range(70)}
    found = reading("include: f0.yaml\n" + charter(), files)
    assert ids(found) == ["too-many-files"]
    assert found.diagnostics[0].span.file == "f62.yaml"
    assert len(found.texts) == 64


@pytest.mark.parametrize("more", [0, 1])
def test_names_are_rewritten_to_so_many_others_at_most(more: int) -> None:
    """Each costs the gateway memory (benchmarks/FIGURES-names.md); many rules for one cost nothing."""
    rules = "".join(
        f"  - {{rewrite: n{n}.example, to: S{n % (64 + more)}.example, for: office}}\n"
        for n in range(130)
    )
    found = reading(charter(rules="names:\n" + rules))
    assert ids(found) == ["too-many-rules"] * more
    if more:
        assert found.diagnostics[0].span.line == 5 + 65


@pytest.mark.parametrize("more", [0, 1])
def test_more_than_5_000_rules_are_too_many(more: int) -> None:
    rules = "  - {let: office, reach: internet, with: ssh}\n" * (5_000 + more)
    found = reading(charter(rules="rules:\n" + rules))
    assert ids(found) == ["too-many-rules"] * more
    if more:
        span = found.diagnostics[0].span
        assert (span.line, span.column) == (5 + 5_001, 5)


@pytest.mark.parametrize("more", [0, 1])
def test_more_than_60_exits_are_too_many(more: int) -> None:
    exits = "  - {from: office, by: copper}\n" * (60 + more)
    found = reading(charter(exits="exits:\n" + exits))
    assert ids(found) == ["too-many-exits"] * more


@pytest.mark.parametrize("size", [4 * 1024 * 1024 + 1, 9_000_000])
def test_a_file_is_never_said_to_be_as_long_as_what_was_read_of_it(size: int) -> None:
    (told,) = read(b"#" * size, "big.yaml").diagnostics
    assert "more than 4 million characters" in told.message
    assert "." not in told.message


def test_thousands_of_mistakes_are_told_by_the_first_ones() -> None:
    found = reading(charter(groups="groups:\n" + "  - '!'\n" * 5_000))
    assert len(found.diagnostics) == 201
    assert ids(found)[-1] == "and-more" and "after 200 errors" in found.diagnostics[-1].message
    assert found.charter is None


def test_many_warnings_do_not_make_a_charter_wrong() -> None:
    doubled = ", ".join(["office"] * 500)
    found = reading(charter(rules=f"rules:\n  - {{let: [{doubled}], reach: internet, with: ssh}}"))
    assert found.charter is not None and found.charter.rules[0].who == ("office",)
    assert len(found.diagnostics) == 201
    assert "299 more" in found.diagnostics[-1].message


def test_dates_can_not_fill_the_memory() -> None:
    some = "\n".join(f"  h{n}: {{dates: {{2026-01-01 to 2028-12-30: closed}}}}" for n in range(20))
    found = reading(charter(hours="hours:\n" + some))
    assert ids(found) == ["too-many", "too-many"]
    assert (found.diagnostics[0].span.line, found.diagnostics[0].span.column) == (24, 17)


def test_neither_can_the_stretches_of_terms() -> None:
    some = ", ".join(["2026-01-01"] * 9_999 + ["2026-01-02 to 2026-01-03"] * 2)
    found = reading(charter(terms=f"terms:\n  autumn: [{some}]\n  spring: [2027-01-01]"))
    assert "too-many" not in ids(found) and len(found.diagnostics) == 201
    many = "\n".join(f"  t{n}: [2026-01-01, 2026-01-03, 2026-01-05]" for n in range(3_334))
    assert ids(reading(charter(terms="terms:\n" + many))) == ["too-many"]


def test_a_place_of_fifty_thousand_prefixes_is_read() -> None:
    names = ", ".join(f"192.0.{n >> 8}.{n & 255}/32" for n in range(50_000))
    found = reading(charter(places=f"places: {{all: {{prefixes: [{names}]}}}}"))
    assert found.charter is not None and len(found.charter.places["all"].prefixes) == 50_000


@pytest.mark.parametrize("error", [Unreadable("no"), FileNotFoundError(2, "x"), KeyError("k"),
                                   PermissionError(13, "denied"), UnicodeError()])  # fmt: skip
def test_whatever_a_loader_raises_is_told(error: Exception) -> None:
    def load(name: str) -> str:
        raise error

    found = read("include: [a.yaml]\n" + charter(), "charter.yaml", load)
    assert ids(found) == ["include-unreadable"]
    assert (found.diagnostics[0].span.line, found.diagnostics[0].span.column) == (1, 11)


def test_without_a_loader_nothing_is_included() -> None:
    assert ids(read("include: [a.yaml]\n" + charter(), "charter.yaml")) == ["include-unreadable"]


@pytest.mark.parametrize("data", [b"charter: 1\r\nsite: \xff", b"\xff\xfec\x00h\x00", b"\0" * 100,
                                  b"\xef\xbb\xbf", bytes(range(256)), "\ud800", "\ufeff\ufeff"])  # fmt: skip
def test_no_bytes_are_too_strange(data: str | bytes) -> None:
    found = read(data, "odd.yaml")
    assert found.charter is None and found.diagnostics
    render(found.diagnostics, found.texts, width=80, colour=True).encode()


def test_a_byte_order_mark_and_other_line_ends_change_nothing() -> None:
    text = charter(rules="rules:\n  - {let: nobody, reach: internet, with: ssh}")
    for variant in ("\ufeff" + text, text.replace("\n", "\r\n"), text.replace("\n", "\r")):
        for data in (variant, variant.encode()):
            (told,) = read(data, "x.yaml").diagnostics
            assert (told.id, told.span.line, told.span.column) == ("unknown-name", 6, 11)


HOSTILE = ['a"b', "a'b", "a\nb", "a;b", "$(reboot)", "`reboot`", "a|b", "<script>", "{{x}}", "%s",
           "\u202eabc", "a\u2066b", "🏔", "a🏔", "\x1b[2J", "-rf", "--", "../x", "a" * 5000, "\u0000",
           "a\u200bb", "日本 語", "a/b", "#a", "a\\", "\t", "\u0301a"]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE, ids=ascii)
@pytest.mark.parametrize("place", ["area", "term", "service", "text", "file", "key"])
def test_hostile_names_are_told_and_shown_safely(name: str, place: str) -> None:
    escaped = "".join(f"\\U{ord(c):08x}" for c in name)
    quoted = f'"{escaped}"'
    texts = {
        "area": charter(areas=f"areas: {{? {quoted} : {{device: eth1, hosts: 5}}}}")
        if len(name) < 100
        else charter(areas=f"areas:\n  ? {quoted}\n  : {{device: eth1, hosts: 5}}"),
        "term": charter(rules=f"rules:\n  - {{let: {quoted}, reach: internet, with: ssh}}"),
        "service": charter(rules=f"rules:\n  - {{let: office, reach: internet, with: {quoted}}}"),
        "text": charter(site=f"site: {{name: a, timezone: {quoted}}}"),
        "file": f"include: {quoted}\n" + charter(),
        "key": charter(site=f"site:\n  name: a\n  timezone: UTC\n  ? {quoted}\n  : 1"),
    }
    found = reading(texts[place])
    assert found.charter is None
    shown = render(found.diagnostics, found.texts, width=80, colour=False)
    assert all(c == "\n" or c.isprintable() for c in shown if c not in "\u200d\u200c")
    assert max(map(len, shown.splitlines())) < 400


@pytest.mark.parametrize(
    "name", ["Büro", "офис", "办公室", "مكتب", "משרד", "कार्यालय", "ห้อง", "a.b-c_9"]
)
def test_names_of_every_script_are_names(name: str) -> None:
    found = reading(charter(areas=f"areas: {{{name}: {{device: eth1, hosts: 5}}}}"))
    assert found.charter is not None and list(found.charter.areas) == [name]


def test_a_name_is_one_name_however_it_was_typed() -> None:
    found = reading(charter(areas='areas: {"Bu\\u0308ro": {device: eth1, hosts: 5}}',
                            rules="rules:\n  - {let: B\u00fcro, reach: internet, with: ssh}"))  # fmt: skip
    assert found.charter is not None and found.charter.rules[0].who == ("Büro",)
