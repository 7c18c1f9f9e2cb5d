"""Asks the gateway for names, the time and a page, as a host of an area does, and writes what it is told."""

import http.client
import socket
import sys

from netcharter.lab.messages import AAAA, A, answer, question

SERVER = sys.argv[1]
NAMES = ("gateway.home.arpa", "maker.home.arpa", "www.withheld.example", "a.listed.example")


def named(name: str, kind: int) -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.settimeout(20)
        one.connect((SERVER, 53))
        one.send(question(7, name, kind))
        found = answer(one.recv(4096), 7)
        return f"code {found.code} {' '.join(found.told(kind))}".strip()


def clock() -> str:
    """By SNTP (RFC 4330 section 4): version 4, a client."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.settimeout(20)
        one.connect((SERVER, 123))
        one.send(b"\x23" + bytes(47))
        return f"mode {one.recv(128)[0] & 7}"


def page(name: str) -> str:
    found = http.client.HTTPConnection(SERVER, 80, timeout=20)
    found.request("GET", "/", headers={"Host": name})
    came = found.getresponse()
    return f"{came.status} {'named' if name.encode() in came.read() else 'not named'}"


def release(name: str) -> str:
    found = http.client.HTTPConnection(SERVER, 80, timeout=20)
    found.request("GET", "/", headers={"Host": name})
    text = found.getresponse().read().decode()
    mark = text.partition('name="mark" value="')[2].partition('"')[0]
    head = {"Host": name, "Content-Type": "application/x-www-form-urlencoded"}
    found = http.client.HTTPConnection(SERVER, 80, timeout=20)
    found.request("POST", "/", f"mark={mark}&why=work&reach=here", head)
    return str(found.getresponse().status)


def told(what: str, ask: object, *said: object) -> None:
    assert callable(ask)
    try:
        print(f"{what}: {ask(*said)}")
    except OSError as trouble:
        print(f"{what}: nothing ({trouble})")


for name in NAMES:
    told(f"{name} A", named, name, A)
    told(f"{name} AAAA", named, name, AAAA)
told("clock", clock)
told("page", page, "www.withheld.example")
told("asked for release", release, "www.withheld.example")
