"""Hostile words in every format: none of them leaves its place."""

from __future__ import annotations

import email
import email.policy
import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.steward import escape, messages
from netcharter.steward.alarms import Message
from netcharter.steward.settings import Mail
from tests.steward.kernel import at

NOW = at("2026-11-26 03:00")
SETTINGS = Mail("mail.example.org", 587, "starttls", "gateway@example.org", ("keeper@example.org",))
HOSTILE = [
    "x\r\nBcc: everyone@example.net",
    "x\n.\nMAIL FROM:<a@example.net>",
    "x\r\n\r\n<script>alert(1)</script>",
    'a"] [other@1 b="c',
    "\\",
    ']\\"',
    "\x1b]0;title\x07",
    "\u202egnp.exe",
    "<13>1 2026-01-01T00:00:00Z other su - - - forged",
    "=?utf-8?q?Bcc=3A?= x",
    "x\0y",
    "\ud800 lone",
    "READY=1\nMAINPID=1",
    "é" * 3000,
    "",
]
# RFC 5424 section 6, with section 6.3's rule that `"`, `\` and `]` are escaped in values.
RECORD = re.compile(
    rb"<(\d{1,3})>1 (\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z) ([\x21-\x7e]{1,255}) ([\x21-\x7e]{1,48}) "
    rb"([\x21-\x7e]{1,128}) ([\x21-\x7e]{1,32}) "
    rb'\[netcharter@32473((?: [\x21\x23-\x3c\x3e-\x5c\x5e-\x7e]{1,32}="(?:[^"\\\]\n\r]|\\["\\\]])*")*)\] '
    rb"([^\n\r\0]*)"
)
ANY = st.one_of(st.sampled_from(HOSTILE), st.text(max_size=300))


def message(text: str, key: str = "health/memory") -> Message:
    return Message("begins", key, "urgent", text, NOW, NOW)


def mailed(text: str, site: str = "Tarn Hollow", key: str = "health/memory") -> bytes:
    return messages.mail(SETTINGS, site, "gateway", message(text, key))


@given(text=ANY, site=ANY, key=ANY)
def test_an_email_has_its_own_headers_and_no_others(text: str, site: str, key: str) -> None:
    data = mailed(text, site, key)
    assert b"\n" not in data.replace(b"\r\n", b"") and b"\r" not in data.replace(b"\r\n", b"")
    assert all(len(line) <= 998 for line in data.split(b"\r\n"))  # RFC 5322 section 2.1.1
    found = email.message_from_bytes(data, policy=email.policy.default)
    assert sorted(found.keys()) == sorted(
        ["From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "Content-Type",
         "Content-Transfer-Encoding", "MIME-Version"]
    )  # fmt: skip
    assert found["To"] == "keeper@example.org" and found["From"] == "gateway@example.org"
    assert not found.is_multipart()


def test_an_email_says_what_it_is_about() -> None:
    found = email.message_from_bytes(mailed("only 3 % free"), policy=email.policy.default)
    assert found["Subject"] == "[Tarn Hollow] urgent: only 3 % free"
    assert found["Date"] == "Thu, 26 Nov 2026 03:00:00 +0000"
    body = found.get_content()
    assert "Gateway: gateway" in body and "--silence health/memory" in body
    hostile = messages.mail(SETTINGS, "", "gw", message("x", "a/$(x) `"))
    assert b"--silence 'a/$(x) `'" in hostile  # it may be pasted into a shell
    assert mailed("a") != mailed("b") and mailed("a") == mailed("a")


@pytest.mark.parametrize(
    "address",
    ["a@b\r\nBcc: c@example.net", "a", "a b@example.org", "<a@example.org>, b@example.org", "@x", "a@",
     "ä@example.org", ""],
)  # fmt: skip
def test_an_address_that_is_none_is_refused(address: str) -> None:
    with pytest.raises(ValueError, match="not a mail address"):
        escape.mail(address, ("keeper@example.org",), "s", "b", {})
    with pytest.raises(ValueError, match="not a mail address"):
        escape.mail("gateway@example.org", (address,), "s", "b", {})


@given(text=ANY, site=ANY)
def test_a_webhook_gets_one_object_of_plain_ascii(text: str, site: str) -> None:
    data = messages.webhook(site, "gateway", message(text))
    assert data.isascii() and b"\n" not in data and b"\r" not in data
    found = json.loads(data)
    assert found["text"] == text and found["site"] == site
    assert found["kind"] == "begins" and found["at"] == "2026-11-26T03:00:00+00:00"


@given(text=ANY, site=ANY, host=ANY, key=ANY)
def test_a_syslog_record_is_one_of_rfc_5424(text: str, site: str, host: str, key: str) -> None:
    data = messages.syslog(site, host, 42, message(text, key))
    assert len(data) <= 2048
    found = RECORD.fullmatch(data)
    assert found is not None, data
    assert found[1] == b"26" and found[4] == b"netcharter" and found[6] == b"begins"
    data.decode("utf-8")
    assert len(re.findall(rb'(?:^| )[a-z]+="', found[7])) == 2


def test_severities_are_those_of_the_table() -> None:
    """RFC 5424 tables 1 and 2: facility 3 is system daemons; 2 critical, 4 warning, 5 notice, 6
    informational."""
    for severity, number in (("urgent", 2), ("warning", 4), ("note", 5)):
        one = Message("begins", "a/b", severity, "x", NOW, NOW)  # type: ignore[arg-type]
        assert messages.syslog("s", "h", 1, one).startswith(f"<{3 * 8 + number}>1 ".encode())
    over = Message("ends", "a/b", "urgent", "x", NOW, NOW)
    assert messages.syslog("s", "h", 1, over).startswith(b"<30>1 ")


@given(ANY)
def test_a_status_for_the_service_manager_is_one_line(text: str) -> None:
    found = escape.status(text)
    assert "\n" not in found and "\0" not in found and len(found) <= 200
