"""One mistake in a good figure file is one fault: on its line, in plain words, with a remedy or a limit."""

from __future__ import annotations

import pytest

from sequencer.errors import Fault, FigureError
from sequencer.figure.read import parse_figure

#: What is wrong, text to replace (its first occurrence), replacement, text in whose line it is told, words.
Case = tuple[str, str, str, str, tuple[str, ...]]


def told_once(good_text: str, case: Case) -> Fault:
    """The only fault of a good file with the case's mistake in it."""
    _, old, new, told_at, words = case
    assert old in good_text
    text = good_text.replace(old, new, 1)
    with pytest.raises(FigureError) as caught:
        parse_figure(text.encode(), "show/figure.toml")
    faults = caught.value.faults
    matching = [fault for fault in faults if all(word in fault.render() for word in words)]
    assert matching, f"{words} not in:\n{caught.value}"
    assert len(faults) == 1, f"one mistake, told once:\n{caught.value}"
    assert matching[0].file == "show/figure.toml"
    assert matching[0].remedy or "limit" in matching[0].render()
    if told_at:
        expected = text[: text.index(told_at)].count("\n") + 1
        assert matching[0].line == expected
    assert caught.value.exit_code == 2
    return matching[0]
