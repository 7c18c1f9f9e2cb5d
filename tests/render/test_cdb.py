"""The records of lists, read back by hand and asked as dnsdist asks, against a scan of the lines."""

from __future__ import annotations

import dns.name
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.plan.names.entries import Entries
from netcharter.plan.names.lookup import compiled
from netcharter.plan.names.reading import TOO_DEEP, Form, read
from netcharter.render.cdb import STORES, laid_out, listed
from tests.plan.names.test_lookup import scan

_name = st.lists(st.sampled_from("abc"), min_size=1, max_size=5).map(".".join)
_policy = st.lists(
    st.tuples(st.sampled_from(["", "*."]), _name, st.sampled_from([".", ".", "rpz-passthru."])).map(
        lambda parts: f"{parts[0]}{parts[1]} CNAME {parts[2]}"
    ),
    max_size=16,
)
_hosts = st.lists(_name.map(lambda name: f"0.0.0.0 {name}"), max_size=8)
_plain = st.lists(_name, max_size=8)


def stored(text: bytes) -> dict[bytes, bytes]:
    """Records as cdb(1) describes them, "Input/Output Format", read one by one."""
    found: dict[bytes, bytes] = {}
    while text != b"\n":
        lengths, _, rest = text[1:].partition(b":")
        assert text[:1] == b"+"
        key, value = (int(length) for length in lengths.split(b","))
        assert rest[key : key + 2] == b"->"
        assert rest[:key] not in found, "a name stands twice"
        found[rest[:key]] = rest[key + 2 : key + 2 + value]
        text = rest[key + 2 + value + 1 :]
    return found


def withheld(stores: dict[str, dict[bytes, bytes]], name: str) -> bool:
    """What the rule in Lua says, with dnspython's idea of names and suffixes."""
    whole = dns.name.from_text(name)
    suffixes = [dns.name.Name(whole.labels[n:]).to_wire() for n in range(len(whole.labels) - 1)]

    def below(store: str) -> bool:
        return any(suffix in stores[store] for suffix in suffixes)

    if whole.to_wire() in stores["exact"]:
        return True
    if whole.to_wire() in stores["spared"]:
        return False
    return below("below-again") or (below("below") and not below("below-spared"))


@given(
    st.one_of(
        st.tuples(st.just("response-policy"), _policy),
        st.tuples(st.just("hosts"), _hosts),
        st.tuples(st.just("plain"), _plain),
    ),
    st.lists(_name, min_size=1, max_size=20),
)
def test_stores_say_what_the_lines_say(said: tuple[Form, list[str]], wanted: list[str]) -> None:
    form, lines = said
    reading = read(["\n".join(lines).encode()], form)
    layout, lookup = laid_out(reading.entries), compiled({"": reading.entries})
    stores = {store: stored(b"".join(layout.records(store))) for store in STORES}
    whole = all(told.reason != TOO_DEEP for told in reading.refused)
    for name in wanted:
        found = withheld(stores, name)
        assert found == bool(lookup.find(name)), name
        assert not whole or found == (scan(form, lines, name) is not None), name


def test_a_record_tells_its_line() -> None:
    layout = laid_out(read([b"# x\n0.0.0.0 a.test b.test\n\n0.0.0.0 c.test a.test\n"]).entries)
    assert stored(b"".join(layout.records("exact"))) == {
        b"\x01a\x04test\0": b"2",
        b"\x01b\x04test\0": b"2",
        b"\x01c\x04test\0": b"4",
    }


def test_an_exception_too_deep_is_refused_as_its_list_is_read_so_that_all_say_the_same() -> None:
    lines = [
        f"*.{'a.' * depth}test CNAME {'rpz-passthru.' if depth % 2 else '.'}" for depth in range(6)
    ]
    reading = read(["\n".join(lines).encode()])
    assert [(told.reason, told.count, told.first) for told in reading.refused] == [(TOO_DEEP, 2, 4)]
    layout, lookup = laid_out(reading.entries), compiled({"": reading.entries})
    stores = {store: stored(b"".join(layout.records(store))) for store in STORES}
    names = ["x." + "a." * depth + "test" for depth in range(6)]
    # Listed, spared, listed again; the exception to that is left out, so all below stays listed.
    assert [withheld(stores, name) for name in names] == [True, False, True, True, True, True]
    assert [bool(lookup.find(name)) for name in names] == [True, False, True, True, True, True]


def test_what_is_in_blocks_is_whole() -> None:
    names = [f"n{number}.test" for number in range(10_000)]
    blocks = list(laid_out(Entries.of(names)).records("below"))
    assert len(blocks) == 3
    assert len(stored(b"".join(blocks))) == 10_000


@pytest.mark.parametrize(
    ("folder", "expected"),
    [
        ("/lists/games", 'listed("/lists/games")'),
        ('/lists/a"..os.exit()..b\\', 'listed("/lists/a\\034..os.exit()..b\\092")'),
        ("/lists/\u00fc\n", 'listed("/lists/\\195\\188\\010")'),
    ],
)
def test_a_folder_can_say_nothing_in_lua(folder: str, expected: str) -> None:
    assert listed(folder) == expected
