"""When certificates end, against OpenSSL's own word, and against files that are none."""

from __future__ import annotations

import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.steward.certificates import ends


def made(folder: Path, days: int, form: str = "PEM") -> Path:
    if shutil.which("openssl") is None:
        pytest.skip("no openssl here")
    made, key = folder / f"c{days}.pem", folder / "key.pem"
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
               "-nodes", "-subj", "/CN=gate.example.org", "-days", str(days), "-outform", form,
               "-keyout", str(key), "-out", str(made)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=30)
    return made


@pytest.mark.parametrize("form", ["PEM", "DER"])
@pytest.mark.parametrize("days", [30, 20_000])  # beyond 2049 the time has another form
def test_the_end_is_the_one_openssl_reads(tmp_path: Path, days: int, form: str) -> None:
    path = made(tmp_path, days, form)
    said = subprocess.run(
        ["openssl", "x509", "-noout", "-enddate", "-inform", form, "-in", str(path)],
        check=True, capture_output=True, text=True, timeout=30,
    ).stdout  # fmt: skip
    wanted = datetime.strptime(said.strip(), "notAfter=%b %d %H:%M:%S %Y GMT").replace(tzinfo=UTC)
    assert ends(path.read_bytes()) == wanted


def test_of_several_the_first_counts(tmp_path: Path) -> None:
    first, second = made(tmp_path, 10).read_bytes(), made(tmp_path, 400).read_bytes()
    assert ends(b"# a chain\n" + first + second) == ends(first) != ends(second)


def test_a_certificate_cut_anywhere_is_refused_in_words(tmp_path: Path) -> None:
    data = made(tmp_path, 30, "DER").read_bytes()
    for length in range(0, len(data) - 1, 7):
        with pytest.raises(ValueError, match="it"):
            ends(data[:length])


@given(st.binary(max_size=200))
def test_other_bytes_are_refused_in_words(data: bytes) -> None:
    with pytest.raises(ValueError, match="it"):
        ends(data)
