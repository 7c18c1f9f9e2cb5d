"""Look-ups against a linear scan over the raw lines that shares nothing with them."""

from __future__ import annotations

from collections.abc import Iterable

from hypothesis import given
from hypothesis import strategies as st

from netcharter.plan.names.entries import BOTH, ITSELF, Entries
from netcharter.plan.names.lookup import Match, compiled
from netcharter.plan.names.reading import Form, read

_label = st.sampled_from(["a", "b", "ads", "www"])
_name = st.lists(_label, min_size=1, max_size=4).map(lambda labels: ".".join([*labels, "test"]))
_plain = st.tuples(st.sampled_from(["{}", "*.{}", "||{}^", "{}.  # x"]), _name)
_hosts = st.tuples(st.just("0.0.0.0 {}"), _name)
_zone = st.tuples(
    st.sampled_from(
        ["{} CNAME .", "*.{} CNAME .", "{} CNAME rpz-passthru.", "*.{} CNAME rpz-passthru."]
    ),
    _name,
)


def _lines(line: st.SearchStrategy[tuple[str, str]]) -> st.SearchStrategy[list[str]]:
    return st.lists(line.map(lambda parts: parts[0].format(parts[1])), max_size=12)


_lists = st.lists(
    st.one_of(
        st.tuples(st.just("plain"), _lines(_plain)),
        st.tuples(st.just("hosts"), _lines(_hosts)),
        st.tuples(st.just("response-policy"), _lines(_zone)),
    ),
    max_size=4,
)


def scan(form: str, lines: Iterable[str], wanted: str) -> tuple[str, int] | None:
    """(entry, line) that decides in one list, by looking at each of its lines; None: not listed."""
    best: tuple[int, int, str, bool] | None = None
    for number, line in enumerate(lines, 1):
        words = line.split()
        raw = words[1] if form == "hosts" else words[0]
        name = raw.strip("|^").rstrip(".").removeprefix("*.")
        equal, below = wanted == name, wanted.endswith(f".{name}")
        if form == "response-policy":
            fits = below if raw.startswith("*.") else equal
        else:
            fits = equal or (form == "plain" and below)
        if fits and (best is None or len(name) > best[0]):
            best = (len(name), number, name, "passthru" in line)
    return None if best is None or best[3] else (best[2], best[1])


@given(_lists, st.lists(_name, min_size=1, max_size=8))
def test_look_ups_agree_with_a_scan_of_the_lines(
    lists: list[tuple[Form, list[str]]], wanted: list[str]
) -> None:
    texts = {f"list {number}": said for number, said in enumerate(lists)}
    lookup = compiled(
        {
            name: read(["\n".join(lines).encode()], form).entries
            for name, (form, lines) in texts.items()
        }
    )
    for name in wanted:
        expected = [
            Match(list_name, *found, found[0] != name)
            for list_name, (form, lines) in texts.items()
            if (found := scan(form, lines, name)) is not None
        ]
        assert list(lookup.find(name)) == expected
        assert lookup.first(name) == (expected[0] if expected else None)
        assert lookup.first(name, among=["list 1"]) == next(
            (match for match in expected if match.list == "list 1"), None
        )


def test_exact_and_below_are_kept_apart() -> None:
    lookup = compiled({"hosts": Entries.of(["x.test"], ITSELF), "plain": Entries.of(["y.test"])})
    assert lookup.find("x.test") == (Match("hosts", "x.test", 1, False),)
    assert lookup.find("www.x.test") == ()
    assert lookup.find("www.y.test") == (Match("plain", "y.test", 1, True),)
    assert lookup.find("xy.test") == lookup.find("test") == ()


def test_a_list_that_repeats_itself_costs_no_time() -> None:
    # A chain that grew with every repetition would take hours here.
    lookup = compiled({"one": Entries.of(["x.test"] * 60_000), "two": Entries.of(["x.test"], BOTH)})
    assert [match.line for match in lookup.find("a.x.test")] == [1, 1]


def test_nothing_compiled_finds_nothing() -> None:
    assert compiled({}).find("x.test") == ()
    assert compiled({"empty": Entries.of([])}).first("x.test") is None
