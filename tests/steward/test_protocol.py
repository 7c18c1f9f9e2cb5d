"""What is said through the socket: requests that are understood, and all others refused in words."""

from __future__ import annotations

import json
import socket
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.steward import protocol
from netcharter.steward.loop.door import ask
from netcharter.steward.protocol import (
    BeginAnew,
    BeSilent,
    NotUnderstood,
    Status,
    Wake,
    line,
    refusal,
    understood,
)


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ({"ask": "status"}, Status()),
        ({"ask": "silence", "what": "all", "seconds": 60}, BeSilent("all", 60, "")),
        ({"ask": "silence", "what": "a", "seconds": 0, "why": "w"}, BeSilent("a", 0, "w")),
        ({"ask": "restart", "duty": "hours"}, BeginAnew("hours")),
        ({"ask": "wake"}, Wake(None)),
        ({"ask": "wake", "duty": "hours"}, Wake("hours")),
    ],
)
def test_requests(said: dict[str, Any], meant: protocol.Ask) -> None:
    assert understood(protocol.line(said)) == meant


@pytest.mark.parametrize(
    "said",
    [
        b"", b"\n", b"[]", b'"status"', b"{", b"\xff\xfe", b"[" * 4000, b"{}", b'{"ask": 1}',
        b'{"ask": "stop"}', b'{"ask": "status", "more": 1}', b'{"ask": "silence"}',
        b'{"ask": "silence", "what": "a", "seconds": -1}',
        b'{"ask": "silence", "what": "a", "seconds": 1e9}',
        b'{"ask": "silence", "what": "a", "seconds": true}',
        b'{"ask": "silence", "what": ["a"], "seconds": 1}',
        b'{"ask": "restart"}', b'{"ask": "restart", "duty": null}', b'{"ask": "wake", "duty": 1}',
        b'{"ask": "restart", "duty": "' + b"a" * 501 + b'"}',
    ],
)  # fmt: skip
def test_all_else_is_refused(said: bytes) -> None:
    with pytest.raises(NotUnderstood):
        understood(said)


@given(st.binary(max_size=300))
def test_no_line_is_an_error_of_ours(said: bytes) -> None:
    try:
        understood(said)
    except NotUnderstood as fault:
        assert str(fault)


@given(st.text(max_size=100))
def test_an_answer_is_one_line_of_ascii(text: str) -> None:
    sent = protocol.line(protocol.refusal(text))
    assert sent.isascii() and sent.count(b"\n") == 1 and sent.endswith(b"\n")
    assert json.loads(sent) == {"ok": False, "fault": text}


def test_who_is_refused_before_being_heard_is_told_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The steward does not wait for the request of one who may not speak."""
    path, said = str(tmp_path / "sock"), line(refusal("you may not speak"))
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(path)
        listener.listen()

        def refused_meanwhile(content: Mapping[str, Any]) -> bytes:
            client, _ = listener.accept()
            with client:
                client.sendall(said)
            return line(content)

        monkeypatch.setattr("netcharter.steward.protocol.line", refused_meanwhile)
        assert ask(path, {"ask": "status"}, 30.0) == said
