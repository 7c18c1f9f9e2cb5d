"""The way the pages are checked is itself checked."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.docs.console import Step, agrees, blocks, run

PAGE = """\
# Title

```sh
make demo
```

```console
$ printf 'one\\ntwo\\n'
one
two
$ false
$ echo $?
1
```

text

```console
$ echo a \\
> b
a b
```
"""


def test_blocks_steps_and_lines_are_found() -> None:
    first, second = blocks(PAGE)
    assert first == [
        Step(8, "printf 'one\\ntwo\\n'", "one\ntwo\n"),
        Step(11, "false", ""),
        Step(12, "echo $?", "1\n"),
    ]
    assert second == [Step(19, "echo a \\\nb", "a b\n")]


def test_a_block_without_a_command_is_refused() -> None:
    with pytest.raises(ValueError, match="line 2"):
        blocks("```console\noutput only\n```\n")


def test_commands_run_in_one_shell_and_keep_their_exit_code(tmp_path: Path) -> None:
    (first, second) = blocks(PAGE)
    assert run(first, tmp_path) == ["one\ntwo\n", "", "1\n"]
    assert run(second, tmp_path) == ["a b\n"]


def test_both_streams_are_seen_and_a_shell_that_leaves_early_is_noticed(tmp_path: Path) -> None:
    assert run([Step(1, "echo out; echo err >&2", "")], tmp_path) == ["out\nerr\n"]
    with pytest.raises(RuntimeError, match="1 of 2"):
        run([Step(1, "true", ""), Step(2, "exit 3", "")], tmp_path)


@pytest.mark.parametrize(
    ("shown", "printed", "same"),
    [
        ("a\nb\n", "a\nb\n", True),
        ("a\nb\n", "a\nc\n", False),
        ("a\n", "a\nb\n", False),
        ("a\nb\n", "a\n", False),
        ("", "a\n", False),
        ("", "", True),
        ("a\n", "a  \n", True),
        ("a...z\n", "a to z\n", True),
        ("a...z\n", "a to y\n", False),
        ("a...z\n", "a\nz\n", False),
        ("a\n...\nz\n", "a\nz\n", True),
        ("a\n...\nz\n", "a\nb\nc\nz\n", True),
        ("a\n...\n", "a\nb\nc\n", True),
        ("...\nz\n", "b\nc\ny\n", False),
        ("a.c\n", "abc\n", False),
    ],
)
def test_only_what_is_left_out_may_differ(shown: str, printed: str, same: bool) -> None:
    assert agrees(shown, printed) is same
