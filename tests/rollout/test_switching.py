"""Kernel settings in turn: what is for devices to come reaches no device that is there.

What the kernel does with such a value is from measurements on Linux 6.18 (`test_switching_kernel`
repeats them); the model of a host knows it too, and shares nothing with the code under test.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from copy import deepcopy
from random import Random

import pytest

from netcharter.rollout.shapes import Link, Run
from netcharter.rollout.switching import Settings, overwritten, switched_off, switched_on
from tests.rollout.model import Model

HERE, THEIRS = "net/ipv4/conf/eth1/rp_filter", "net/ipv4/conf/eth9/rp_filter"
TO_COME = "net/ipv4/conf/default/rp_filter"
KEYS = ("accept_redirects", "rp_filter", "send_redirects", "forwarding")
DEVICES = ("eth1", "eth2", "eth9", "lo")
OURS = DEVICES[:2]


def written(known: Mapping[str, str], wanted: Mapping[str, str]) -> Settings:
    return switched_on(known, {**known, **wanted})[0]


def test_a_device_of_others_gets_its_own_value_before_one_for_devices_to_come() -> None:
    known = {HERE: "1", THEIRS: "1", TO_COME: "1"}
    found = written(known, {TO_COME: "0", HERE: "0"})
    assert found == [(THEIRS, "1"), (TO_COME, "0"), (HERE, "0")]


def test_back_again_the_value_for_devices_to_come_returns_and_theirs_stays() -> None:
    known = {HERE: "0", THEIRS: "2", TO_COME: "0"}
    found = written(known, {TO_COME: "1", HERE: "1"})
    assert found == [(THEIRS, "2"), (TO_COME, "1"), (HERE, "1")]


def test_who_is_to_differ_from_devices_to_come_is_written_once_and_before() -> None:
    found = written({HERE: "1", TO_COME: "1"}, {TO_COME: "0", HERE: "2"})
    assert found == [(HERE, "2"), (TO_COME, "0")]


def test_who_has_the_value_already_is_not_written() -> None:
    assert written({HERE: "0", THEIRS: "0", TO_COME: "1"}, {TO_COME: "0"}) == [(TO_COME, "0")]


def test_nothing_is_written_where_devices_to_come_get_what_they_get() -> None:
    assert written({HERE: "1", THEIRS: "1", TO_COME: "0"}, {TO_COME: "0"}) == []


def test_a_device_that_was_not_there_is_one_of_those_to_come() -> None:
    assert written({TO_COME: "1"}, {TO_COME: "0", HERE: "0"}) == [(TO_COME, "0"), (HERE, "0")]


@pytest.mark.parametrize(
    ("general", "one", "is_so"),
    [
        (TO_COME, HERE, True),
        (TO_COME, "net/ipv4/conf/eth1.20/rp_filter", True),
        (TO_COME, "net/ipv4/conf/all/rp_filter", False),
        (TO_COME, TO_COME, False),
        (TO_COME, "net/ipv4/conf/eth1/accept_local", False),
        ("net/ipv4/conf/default/forwarding", "net/ipv4/conf/eth1/forwarding", False),
        ("net/ipv6/conf/default/accept_ra", "net/ipv6/conf/eth1/accept_ra", False),
    ],
)
def test_what_is_copied_to_devices(general: str, one: str, is_so: bool) -> None:
    assert overwritten(general, one) is is_so


# --- any host, stopped anywhere ------------------------------------------------------------------


def drawn(rng: Random) -> Model:
    model = Model(links={name: Link(name, True) for name in DEVICES})
    names = [f"net/ipv4/conf/{scope}/{key}" for scope in ("default", *DEVICES) for key in KEYS]
    names += ["net/ipv4/ip_forward", "net/ipv4/conf/all/accept_redirects"]
    model.settings = {name: rng.choice("01") for name in names}
    devices = [name for name in names if "/default/" not in name and "/all/" not in name]
    model.written = {name for name in devices if rng.random() < 0.4}
    return model


def asked(rng: Random, model: Model) -> dict[str, str]:
    """What a kit of two devices wants: theirs, what is general; all else as it is."""
    ours = [n for n in model.settings if any(f"/{d}/" in n for d in (*OURS, "default", "all"))]
    return {name: rng.choice("01") for name in ours}


def lines(known: Mapping[str, str], wanted: Mapping[str, str]) -> Settings:
    off, found = switched_off(known, wanted)
    return [*off, *switched_on(found, wanted)[0]]


def given(model: Model, settings: Iterable[tuple[str, str]]) -> Model:
    found = deepcopy(model)
    for name, value in settings:
        found.take(Run(("sysctl",), f"{name} = {value}\n".encode("ascii")))
    return found


def of_others(model: Model) -> dict[str, str]:
    """Forwarding in general is that of every device, and is not theirs."""
    return {
        name: value
        for name, value in model.settings.items()
        if not any(f"/{d}/" in name for d in (*OURS, "default", "all"))
        and "forward" not in name.rsplit("/", 1)[-1]
    }


@pytest.mark.parametrize("number", range(200))
def test_stopped_after_any_line_devices_of_others_are_as_they_were(number: int) -> None:
    """And whoever comes next, knowing only what there is then, arrives; and so does an undo."""
    rng = Random(f"switching {number}")
    host = drawn(rng)
    kit = asked(rng, host)
    theirs, before = of_others(host), dict(host.settings)
    every = lines(before, {**before, **kit})
    for stop in range(len(every) + 1):
        halted = given(host, every[:stop])
        assert of_others(halted) == theirs, stop
        again = given(halted, lines(halted.settings, {**halted.settings, **kit}))
        assert of_others(again) == theirs, stop
        assert {name: again.settings[name] for name in kit} == kit, stop
        back = given(halted, lines(halted.settings, before))
        assert back.settings == before, stop


def test_the_model_tells_when_devices_of_others_are_changed() -> None:
    """What was done before: the value for devices to come first, then the devices put back."""
    host = Model(settings={THEIRS: "1", TO_COME: "1"})
    assert of_others(given(host, [(TO_COME, "0")])) != of_others(host)
