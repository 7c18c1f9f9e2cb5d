"""`seen`: who is there and not named, whatever they call themselves; and naming one.

Vendors are compared with the text of the registry that netaddr ships, read here line by line.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from random import Random

import netaddr
import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from netcharter.charter.edits import added
from netcharter.charter.read import read
from netcharter.plan.coding import hardware_text
from netcharter.tasks.seen import Seen, Texts, Wish, look, name_one
from netcharter.tasks.sources import Source, Unusable
from netcharter.tasks.vendors import vendor
from tests.cli.running import run
from tests.docs.shapes import breaches, shapes

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)
HUT = """# the hut
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: [desk]}
lines: {dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}
areas:
  home: {device: eth1, prefix: 10.1.0.0/24, lease: 12h}
  yard: {device: eth2, prefix: 10.2.0.0/24}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}  # by the window
  bell: {area: yard, address: 10.2.0.9}
  # nobody else so far

promises: [{never: yard, reach: home}]
"""
ENDS = int((NOW + timedelta(hours=9)).timestamp())
LEASES = f"""{ENDS} 00:00:5e:00:53:07 10.1.0.20 tablet 01:00:00:5e:00:53:07
{ENDS} 02:00:00:aa:00:01 10.1.0.5 desk *
{ENDS} 3a:5e:10:aa:00:03 10.2.0.30 * *
0 10:e9:92:00:00:01 10.1.0.21 forever *
""".encode()
TABLE = [
    {"dst": "10.2.0.31", "dev": "eth2", "lladdr": "3a:5e:10:aa:00:03", "state": ["STALE"]},
    {"dst": "fe80::1", "dev": "eth2", "lladdr": "3a:5e:10:aa:00:03", "state": ["REACHABLE"]},
    {"dst": "10.2.0.9", "dev": "eth2", "lladdr": "00:00:5e:00:53:09", "state": ["REACHABLE"]},
    {"dst": "203.0.113.9", "dev": "eth0", "lladdr": "00:00:5e:00:53:01", "state": ["REACHABLE"]},
    {"dst": "10.9.0.1", "dev": "eth7", "lladdr": "00:00:5e:00:53:02", "state": ["REACHABLE"]},
    {"dst": "10.2.0.40", "dev": "eth2", "state": ["FAILED"]},
    {"dst": "10.2.0.41", "dev": "eth2", "lladdr": "01:00:5e:00:00:01", "state": ["PERMANENT"]},
]


def hut(text: str = HUT) -> Source:
    return Source("hut.yaml", text.encode())


def seen(leases: bytes = LEASES, table: object = TABLE) -> Seen:
    said = table if isinstance(table, bytes) else json.dumps(table).encode()
    return look(hut(), Texts({"leases": leases}, ("table", said)), NOW)


def test_who_is_there_and_not_named_is_told_by_area_with_all_that_is_known() -> None:
    found = seen()
    rows = {hardware_text(one.hardware): one for one in found.strangers}
    assert list(rows) == [
        "00:00:5e:00:53:07", "10:e9:92:00:00:01", "3a:5e:10:aa:00:03", "00:00:5e:00:53:02",
    ]  # fmt: skip
    tablet, forever, drawn, lost = rows.values()
    assert (tablet.area, tablet.named, tablet.device) == ("home", "tablet", None)
    assert tablet.last == NOW - timedelta(hours=3)  # it ends in nine of twelve hours
    assert forever.last is None
    assert (drawn.area, drawn.device, drawn.vendor, drawn.may_change) == (
        "yard",
        "eth2",
        None,
        True,
    )
    assert [str(a) for a in drawn.addresses] == ["10.2.0.30", "10.2.0.31", "fe80::1"]
    assert (lost.area, lost.device) == (None, "eth7")
    assert found.known == 2  # desk by its hardware, the bell by its address


def registered() -> dict[int, str]:
    """The registry's own text: `10-E9-92   (hex)   NAME`."""
    path = Path(netaddr.__file__).parent / "eui" / "oui.txt"
    found = re.findall(r"^([0-9A-F-]{8})\s+\(hex\)\s+(.*)$", path.read_text("utf-8"), re.MULTILINE)
    names: dict[int, str] = {}
    for prefix, name in found:
        names.setdefault(int(prefix.replace("-", ""), 16), " ".join(name.split()))
    return names


def test_vendors_are_those_of_the_registry() -> None:
    names = registered()
    assert len(names) > 30_000
    parts = {p for p, name in names.items() if name.lower() == "ieee registration authority"}
    assert len(parts) > 100
    for prefix in Random(1).sample(sorted(names), 400):
        wanted = None if prefix in parts or prefix >> 16 & 3 else names[prefix] or None
        if prefix not in (0x0050C2, 0x40D855):  # which were handed out in 36 bits, as IABs
            assert vendor((prefix << 24) + 7) == wanted
    assert vendor(0x0050C2000123) == "T.L.S. Corp."  # iab.txt: 00-50-C2, 000000-000FFF
    assert vendor(next(iter(parts)) << 24) is None


def test_an_address_that_may_be_drawn_has_no_vendor() -> None:
    assert vendor(0x3A5E10AA0003) is None and vendor(0x01005E000001) is None


def test_the_document_has_the_shape_that_the_page_tells() -> None:
    page = Path(__file__).parents[2] / "docs" / "reference" / "json.md"
    known = shapes(page.read_text("utf-8"))
    assert list(breaches(json.loads(json.dumps(seen().as_json())), "strangers", known)) == []
    named = name_one(hut(), Wish("00:00:5e:00:53:07", "tablet"), seen().strangers)
    assert list(breaches(json.loads(json.dumps(named.as_json())), "seen-added", known)) == []


# --- hostile -------------------------------------------------------------------------------------

HOSTILE = ("\x1b[31mroot\x1b[0m", "a\u202eb", "<script>alert(1)</script>", "$(reboot)", "x" * 3000)


def test_what_a_device_calls_itself_repaints_no_terminal(tmp_path: Path) -> None:
    lines = [f"{ENDS} 00:00:5e:00:53:{n:02x} 10.1.0.{n + 50} {name} *" for n, name in
             enumerate(HOSTILE)]  # fmt: skip
    (tmp_path / "hut.yaml").write_text(HUT)
    (tmp_path / "leases").write_bytes("\n".join(lines).encode())
    ran = run("seen", tmp_path / "hut.yaml", "--leases", tmp_path / "leases")
    assert ran.code == 0
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e]", ran.everything)
    assert max(map(len, ran.out.splitlines())) < 200
    document = run("seen", tmp_path / "hut.yaml", "--leases", tmp_path / "leases", "--json")
    assert document.out.isascii()
    said = [one["named"] for one in document.json["seen"]]
    assert "<script>alert(1)</script>" in said and "$(reboot)" in said
    assert len(document.json["unread"]) == 2  # what hides something is told as such, and not read


@pytest.mark.parametrize("name", [b"a\xe2\x80\xaeb", b"\x1b[2J", b"\xff\xfe", b"\x85", b"\x0b"])
def test_nobody_hides_behind_a_name_that_is_not_seen(name: bytes) -> None:
    """Neither a bidirectional mark nor bytes that are no UTF-8 keep a device out of the list."""
    lease = f"{ENDS} 00:00:5e:00:53:07 10.1.0.20 ".encode() + name + b" 01:00:00:5e:00:53:07\n"
    found = seen(lease + b"0 02:00:00:aa:00:01 10.1.0.5 desk *\n", [])
    assert [(hardware_text(one.hardware), one.named) for one in found.strangers] == [
        ("00:00:5e:00:53:07", "")
    ]
    assert [one.id for one in found.unread] == ["entry-not-read"]


def test_ten_thousand_neighbours_are_told() -> None:
    draw = Random(2)
    table = [
        {"dst": str(ip_address(0x0A010000 + n)), "dev": "eth1", "state": ["STALE"],
         "lladdr": hardware_text(draw.getrandbits(48) & ~(1 << 40))}
        for n in range(10_000)
    ]  # fmt: skip
    found = seen(b"", table)
    assert len(found.strangers) == 10_000 and {one.area for one in found.strangers} == {"home"}
    assert 4_700 < sum(one.may_change for one in found.strangers) < 5_300


@pytest.mark.parametrize("cut", [0, 1, 40, 300])
def test_a_table_that_ends_early_is_no_table(cut: int) -> None:
    whole = json.dumps(TABLE).encode()
    with pytest.raises(Unusable) as refused:
        seen(LEASES, whole[:cut])
    assert [d.id for d in refused.value.diagnostics] == ["neighbours-not-read"]


def test_leases_that_were_read_while_they_were_written_tell_what_is_whole() -> None:
    """dnsmasq writes the whole file anew; whoever reads meanwhile has its beginning."""
    for end in range(0, len(LEASES), 7):
        found = seen(LEASES[:end], [])
        whole = LEASES[:end].count(b"\n")
        assert len(found.strangers) + found.known >= min(whole, 3)
        assert {one.id for one in found.unread} <= {"entry-not-read", "file-kind-unknown"}


@pytest.mark.parametrize(
    "wrong",
    [{"state": [[]]}, {"state": "FAILED"}, {"state": [1]}, {"dst": "10.2.0"}, {"dev": 2}, {"dst": []},
     {"lladdr": {}}],
)  # fmt: skip
def test_a_neighbour_of_another_form_is_left_out_and_told(wrong: dict[str, object]) -> None:
    found = seen(b"", [TABLE[0], {**TABLE[3], **wrong}, 7])
    assert [hardware_text(one.hardware) for one in found.strangers] == ["3a:5e:10:aa:00:03"]
    (told,) = found.unread
    assert told.id == "entry-not-read" and told.message.startswith("2 entries of another form")


@pytest.mark.parametrize(
    "said", ["-2:00:00:00:00:00", "2_:00:00:00:00:00", "+2:00:00:00:00:00", " 2:00:00:00:00:00",
             "02:00:00:aa:00", "80:00:00:48:fe:80:00:00:00:00", "٠2:00:00:00:00:00"]
)  # fmt: skip
def test_what_is_no_hardware_address_of_48_bits_is_nobody(said: str) -> None:
    found = seen(b"", [{**TABLE[0], "lladdr": said}])
    assert (found.strangers, found.known, found.unread) == ((), 0, ())


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400), st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4)
    | st.dictionaries(st.sampled_from(["dst", "dev", "lladdr", "state", "x"]), inner, max_size=5),
    max_leaves=20,
))  # fmt: skip
@example(b"", [{"state": [[]]}])
def test_nothing_that_a_file_may_hold_is_more_than_told(leases: bytes, table: object) -> None:
    try:
        seen(leases, table)
    except Unusable as refused:
        assert [d.id for d in refused.diagnostics] == ["neighbours-not-read"]


# --- naming one ----------------------------------------------------------------------------------


def test_one_is_named_and_all_else_stays() -> None:
    named = name_one(hut(), Wish("3A-5E-10-AA-00-03", "kiosk", barred=True), seen().strangers)
    line = "  kiosk: {area: yard, hardware: 3a:5e:10:aa:00:03, barred: true}\n"
    before, after = HUT.splitlines(True), named.texts["hut.yaml"].splitlines(True)
    assert [one for one in after if one not in before] == [line]
    assert [one for one in after if one != line] == before
    told = "\n".join(named.lines())
    assert "+" + line.rstrip() in told and "may have been drawn" in told


@pytest.mark.parametrize(
    ("devices", "wanted"),
    [
        ("", "\ndevices:\n  kiosk: {area: home, hardware: 00:00:5e:00:53:07}\n"),
        ("devices: {}\n", "devices: {kiosk: {area: home"),
        ("devices: {a: {area: home, hardware: 02:00:00:aa:00:09},  # x\n  }\n", ",  # x\n  kiosk: {"),
        ("devices: {a: {area: home, hardware: 02:00:00:aa:00:09}  # x,\n  }\n", "# x,\n  , kiosk: {"),
        (("devices:\n    a:\n        area: home\n        hardware:\n"
         "        - 02:00:00:aa:00:09\n        - 02:00:00:aa:00:0a  # both\n\n# end\n"),
         ":0a  # both\n    kiosk: {area: home"),
        ("devices:\r\n  a: {area: home, hardware: 02:00:00:aa:00:09}\r\n",
         ":09}\r\n  kiosk: {area: home, hardware: 00:00:5e:00:53:07}\r\n"),
    ],
)  # fmt: skip
def test_a_device_is_added_however_the_section_is_written(devices: str, wanted: str) -> None:
    text = re.sub(r"devices:.*?\n\n", lambda _: devices, HUT, flags=re.DOTALL)
    text = text.replace(", managed-from: [desk]", "")
    named = name_one(hut(text), Wish("00:00:5e:00:53:07", "kiosk", "home"), ())
    assert wanted in named.texts["hut.yaml"]
    read_back = read(named.texts["hut.yaml"], "hut.yaml").charter
    assert read_back is not None and read_back.devices["kiosk"].hardware == (0x00005E005307,)


@pytest.mark.parametrize(
    "because",
    [
        "|\n      one\n      # two\n      # three\n",
        "|\n      # only\n\n\n",
        "|+\n      one\n\n      # two\n\n\n",
        ">-\n      one\n      # two\n    # a remark\n",
        "|2\n        # further in\n      # two\n",
        "|\n\n",
    ],
)
def test_lines_of_a_text_that_look_like_remarks_stay_in_it(because: str) -> None:
    """YAML 1.2.2 section 8.1: in a block text a `#` begins no comment. Read again by PyYAML's own
    scanner; the charter is read by libyaml's."""
    devices = f"devices:\n  desk:\n    area: home\n    because: {because}"
    text = re.sub(r"devices:.*?\n\n", lambda _: devices, HUT, flags=re.DOTALL)
    after = added({"c": text}, "c", "devices", "kiosk: {area: home}")["c"]
    before, now = (yaml.load(one, Loader=yaml.SafeLoader) for one in (text, after))
    assert now["devices"].pop("kiosk") == {"area": "home"} and now == before
    assert sorted(after.splitlines()) == sorted([*text.splitlines(), "  kiosk: {area: home}"])


def test_of_several_files_the_one_with_devices_is_changed(tmp_path: Path) -> None:
    devices = "devices:\n  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}\n"
    root = re.sub(r"devices:.*?\n\n", "include: [more/devices.yaml]\n", HUT, flags=re.DOTALL)
    (tmp_path / "more").mkdir()
    (tmp_path / "hut.yaml").write_text(root)
    (tmp_path / "more" / "devices.yaml").write_text(devices)
    said = ("seen", tmp_path / "hut.yaml", "--add", "00:00:5e:00:53:07", "--as", "tablet")
    assert run(*said, "--area", "home", "--write").code == 0
    assert (tmp_path / "hut.yaml").read_text() == root
    assert "  tablet: {area: home" in (tmp_path / "more" / "devices.yaml").read_text()


def test_a_charter_in_one_pair_of_braces_gets_its_section_too() -> None:
    text = "{charter: 1, site: {name: H, timezone: UTC}, lines: {l: {device: e0}}, areas: {}}"
    assert added({"c": text}, "c", "devices", "k: {area: h}")["c"].endswith(
        "areas: {}, devices: {k: {area: h}}}"
    )


@pytest.mark.parametrize(
    ("wish", "id"),
    [
        (Wish("02:00:00:aa:00:01", "other"), "hardware-twice"),
        (Wish("01:00:5e:00:00:01", "other", "home"), "bad-hardware"),
        (Wish("00:00:5e:00:53:07", "desk"), "duplicate-key"),
        (Wish("00:00:5e:00:53:07", "yard"), "name-clash"),
        (Wish("00:00:5e:00:53:07", "anyone"), "reserved-name"),
        (Wish("00:00:5e:00:53:07", "two words"), "bad-name"),
        (Wish("00:00:5e:00:53:07", "x: {y: z}"), "bad-name"),
        (Wish("00:00:5e:00:53:07", "other", "attic"), "area-unknown"),
        (Wish("00:00:5e:00:53:99", "other"), "device-not-seen"),
    ],
)
def test_what_can_not_be_named_is_refused(wish: Wish, id: str) -> None:
    with pytest.raises(Unusable) as refused:
        name_one(hut(), wish, seen().strangers)
    assert id in [d.id for d in refused.value.diagnostics]


def test_the_command_shows_first_and_writes_when_told(tmp_path: Path) -> None:
    charter, leases = tmp_path / "hut.yaml", tmp_path / "leases"
    charter.write_text(HUT)
    leases.write_bytes(LEASES)
    asked = ("seen", charter, "--leases", leases, "--add", "00:00:5e:00:53:07", "--as", "tablet")
    shown = run(*asked, "--lasting")
    assert shown.code == 0 and "nothing is written yet" in shown.out
    assert "+  tablet: {area: home, hardware: 00:00:5e:00:53:07, address: lasting}" in shown.out
    assert charter.read_text() == HUT
    assert run(*asked, "--lasting", "--write").code == 0
    assert "  tablet: {area: home" in charter.read_text()
    again = run(*asked, "--write")
    assert again.code == 2 and "has this address already" in again.err
    assert run("seen", charter, "--as", "x").code == 2
    assert run("seen", charter, "--leases", tmp_path / "none").code == 2
