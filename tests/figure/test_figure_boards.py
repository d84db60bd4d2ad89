"""Each board's own pins and counts, by the names that are printed on it."""

from __future__ import annotations

import pytest

from sequencer.errors import FigureError
from sequencer.figure.electric import PinLoad, overloads
from sequencer.figure.read import parse_figure
from sequencer.figure.sheet import inventory
from sequencer.figure.wiring import rows


def on(text: str, kind: str, *changes: tuple[str, str]) -> bytes:
    text = text.replace('kind = "uno"', f'kind = "{kind}"', 1)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return text.encode()


def test_a0_is_54_on_a_mega(good_text: str) -> None:
    figure = parse_figure(
        on(
            good_text,
            "mega",
            ('pin = "A0"', 'pin = "A15"'),
            ("pin = 8", 'pin = "D53"'),
            ('pin = "D5"', 'pin = "D44"'),
        ),
        "figure.toml",
    )
    assert {switch.pin for switch in figure.switches.values()} >= {69}
    assert {"D53", "A15"} <= {row.pin for row in rows(figure)}


@pytest.mark.parametrize(
    ("kind", "old", "new", "words"),
    [
        ("uno", "pin = 8", 'pin = "A6"', "an Uno has no pin 20"),
        ("nano", "pin = 8", 'pin = "A6"', "pin A6 of a Nano can only measure a voltage"),
        ("nano", "pin = 8", "pin = 22", "a Nano has no pin 22"),
        ("mega", "pin = 8", "pin = 13", "pin D13 is blinked by the boot loader"),
        ("mega", "pin = 8", "pin = 0", "pin D0 belongs to the link"),
        ("mega", "pin = 8", "pin = 70", "at most 69"),
    ],
)
def test_a_pin_that_a_board_lacks_is_refused(
    good_text: str, kind: str, old: str, new: str, words: str
) -> None:
    with pytest.raises(FigureError) as caught:
        parse_figure(on(good_text, kind, (old, new)), "figure.toml")
    assert words in str(caught.value)


def test_a_mega_serves_more(good_text: str) -> None:
    nod = good_text[good_text.index("[servos.nod]") : good_text.index("[axes.turn]")]
    more = "".join(
        nod.replace("nod", f"extra{n}").replace("pin = 8", f"pin = {pin}")
        for n, pin in enumerate((3, 4, 9, 10, 11, 12, 15, 16, 17, 18, 19))
    )
    with pytest.raises(FigureError) as caught:
        parse_figure(on(good_text + more, "nano"), "figure.toml")
    assert "too many servos for a Nano" in str(caught.value)
    assert len(parse_figure(on(good_text + more, "mega"), "figure.toml").servos) == 13


def test_a_mega_has_its_own_groups_of_pins() -> None:
    """Eight lamps of 16 mA on A0..A7 are 128 mA: too much for port F and K, but 14..21 are no group there."""
    on_a = [PinLoad(f"l{n}", 54 + n, 0.016, sinks=False) for n in range(8)]
    on_d = [PinLoad(f"l{n}", 14 + n, 0.016, sinks=False) for n in range(8)]
    assert [over.where for over in overloads(on_a, "mega")] == ["pins A0 to A15"]
    assert overloads(on_d, "mega") == []


@pytest.mark.parametrize(("kind", "board"), [("uno", "an Uno"), ("nano", "a Nano")])
def test_the_sheet_names_its_board(good_text: str, kind: str, board: str) -> None:
    assert inventory(parse_figure(on(good_text, kind))).endswith(f" on {board}")
