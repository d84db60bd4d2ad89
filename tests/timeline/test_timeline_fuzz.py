# ruff: noqa: E501 - word lists
"""Whatever is in a file: it is read, or refused with a place and a remedy; nothing else."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import SceneError
from sequencer.timeline.build import MOST_TOLD, build_timeline
from sequencer.timeline.parse import parse_scene_text
from sequencer.timeline.score import HEADER, parse_score

WORDS = [
    "scene", "loop", "length", "tempo", "pose", "sound", "score", "at", "bar", "then", "lands", "home", "over",
    "for", "every", "throughout", "glow", "to", "flicker", "gutter", "failing", "depth", "seed", "strikes", "on", "off",
    "sways", "shakes", "is", "pace", "quiet", "in", "from", "turn", "nod", "jaw", "left", "up", "bell", "lamps", "left_eye", "brisk", "slow",
    "smooth", ",", ":", "%", "s", "ms", "deg", "+", "-", "0:01", "0:02.5", "1:1", "+0.5", "5", "0", "-3", "1e5", "9" * 40,
    '"a b"', '"', "#", "\t", "é", "²", "\x00", "0:00", "2s", "60%", "٣",
]  # fmt: skip
lines = st.lists(st.sampled_from(WORDS), max_size=9).map(" ".join)
GOOD = ["0:00 lamps glow to 60% over 1.5s", "0:01 turn left 20, brisk", "then nod sways 3 for 2s", "+0.5 home, slow",
        "pose a: turn left 3, nod up 2", "0:02 bell strikes", "0:03 pose a over 2s", "0:04 turn is left 3", "pace quiet"]  # fmt: skip


def read(text: str, figure, limits) -> None:
    try:
        build_timeline(parse_scene_text(text, "f.scene"), figure, limits)
    except SceneError as error:
        for fault in error.faults:
            assert fault.message
            assert fault.line is None or 1 <= fault.line <= text.count("\n") + 1
            assert fault.column is None or fault.column >= 1
            fault.render()


@settings(deadline=None, max_examples=200)
@given(st.lists(lines, max_size=5))
def test_words_in_any_order(figure, limits, body: list[str]) -> None:
    read("\n".join(("scene fuzz", "length 0:10", *body)), figure, limits)


@settings(deadline=None, max_examples=150)
@given(st.sampled_from(GOOD), st.integers(0, 40), st.integers(0, 6), st.text(max_size=4))
def test_a_good_line_damaged(figure, limits, line: str, at: int, cut: int, noise: str) -> None:
    read(f"scene fuzz\n{line[:at]}{noise}{line[at + cut :]}\n", figure, limits)


@settings(deadline=None, max_examples=100)
@given(st.text(max_size=200))
def test_any_text_as_a_scene(figure, limits, text: str) -> None:
    read(text, figure, limits)
    read(f"scene fuzz\n{text}", figure, limits)


@settings(deadline=None, max_examples=150)
@given(st.text(max_size=80), st.lists(st.text("0123456789.e-+ axislmpwtcounf\n", max_size=20), max_size=4))
def test_any_text_as_a_score(text: str, body: list[str]) -> None:
    joined = "\n".join(body)
    for score in (
        text,
        f"{HEADER}\n{text}",
        f"{HEADER}\naxis turn deg\n{joined}",
        f"{HEADER}\nlamp eye percent\n{joined}",
    ):
        try:
            parse_score(score, "f.score")
        except SceneError as error:
            for fault in error.faults:
                fault.render()


def test_a_big_scene_is_built(figure, limits) -> None:
    body = "\n".join(f"+0.1 turn {'left' if i % 2 else 'right'} {i % 30} over 0.09s" for i in range(1000))
    timeline = build_timeline(parse_scene_text(f"scene big\n{body}\n", "big.scene"), figure, limits)
    assert timeline.duration_s > 400  # each is pushed by the one before
    assert len(timeline.shortfalls) == MOST_TOLD
    assert any("turn falls short" in note for note in timeline.notes)
