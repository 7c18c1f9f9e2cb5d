"""The connections of a process as the kernel's text has them, beside what its sockets say."""

from __future__ import annotations

import os
import socket
from ipaddress import ip_address

import pytest

from netcharter.proofs.management import session_of
from netcharter.tasks.enacting.here import here
from netcharter.tasks.enacting.sshd import connection_of, connections
from netcharter.tasks.sources import Unusable
from tests.render.plans import small_plan


@pytest.mark.parametrize("address", ["127.0.0.1", "::1", "::ffff:127.0.0.1"])
def test_a_connection_is_told_as_ssh_does(address: str) -> None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as listener:
        listener.bind((address, 0))
        listener.listen()
        port = listener.getsockname()[1]
        with socket.create_connection((address, port), 10) as client:
            server, _ = listener.accept()
            with server:
                mine = client.getsockname()
                wanted = (ip_address(mine[0]), mine[1], port)
                found = [session_of(text) for text in connections(os.getpid())]
    told = {(one.client, one.client_port, one.server_port) for one in found if one}
    plain = ip_address("127.0.0.1") if "." in address else wanted[0]
    assert (plain, *wanted[1:]) in told


def test_who_is_no_sshd_has_no_session() -> None:
    left, right = socket.socketpair()
    with left, right:
        assert connection_of(os.getpid()) == ""


def test_who_is_not_there_has_none() -> None:
    assert connection_of(2**22 + 1) == "" and list(connections(2**22 + 1)) == []


@pytest.mark.kernel
def test_a_session_that_is_not_understood_is_no_console() -> None:
    """OpenSSH writes UNKNOWN where a session has no addresses."""
    with pytest.raises(Unusable) as fault:
        here(small_plan(), "UNKNOWN 65535 UNKNOWN 65535")
    (told,) = fault.value.diagnostics
    assert "SSH_CONNECTION" in told.message
