"""Lines in a terminal, however narrow."""

from __future__ import annotations

import pytest
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from service.cli_text import Unbroken

SAID = "safety, always in; brake pad bad now: 50 %; pass up to 1.5 %, marginal up to 2 %"


def printed(text: Text, width: int) -> list[str]:
    console = Console(width=width, highlight=False)
    with console.capture() as captured:
        console.print(Padding(text, (0, 0)))
    return [line.rstrip() for line in captured.get().splitlines()]


@pytest.mark.parametrize("width", range(9, 60))
def test_no_line_begins_with_a_per_cent_sign(width: int) -> None:
    lines = printed(Unbroken(SAID), width)
    assert not [line for line in lines if line.startswith("%")]
    assert " ".join(" ".join(lines).split()) == SAID


def test_without_it_some_do() -> None:
    """Else the test above would hold nothing."""
    assert any(line.startswith("%") for width in range(9, 60) for line in printed(Text(SAID), width))
