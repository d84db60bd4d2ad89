"""Random shows for the tests: hypothesis strategies over the oracle's Show."""

from __future__ import annotations

from hypothesis import strategies as st

from tests.player.oracle import NONE, Scene, Show, Track, varint

values = st.integers(-3000, 3000)


@st.composite
def lamp_streams(draw: st.DrawFn) -> bytes:
    out = b""
    for _ in range(draw(st.integers(0, 5))):
        op = draw(st.integers(1, 3))
        out += bytes([op]) + varint(draw(st.integers(0, 90)))
        if op == 3:
            out += bytes([draw(st.integers(1, 2)), draw(st.integers(0, 200))])
            out += draw(st.integers(0, 65535)).to_bytes(2, "little")
        else:
            out += bytes([draw(st.integers(0, 200))])
        if op != 1:
            out += varint(draw(st.integers(0, 200)))
    return out + b"\0"


@st.composite
def switch_streams(draw: st.DrawFn) -> bytes:
    events = draw(st.lists(st.tuples(st.integers(0, 60), st.booleans()), max_size=6))
    return b"".join(varint(2 * wait + on + 1) for wait, on in events) + b"\0"


@st.composite
def track_points(draw: st.DrawFn, track: Track, frames: int, loop: bool, wide: bool) -> list[int] | None:
    spans = frames // track.knot_frames
    if draw(st.integers(0, 5)) == 0:
        return None
    number = st.integers(-32768, 32767) if wide else values
    if loop:
        return draw(st.lists(number, min_size=spans, max_size=spans))
    inner = max(spans - 3, 0)
    ends = [track.rest] * 3
    return ends + draw(st.lists(number, min_size=inner, max_size=inner)) + ends[: 3 if spans >= 3 else spans]


@st.composite
def tracks(draw: st.DrawFn) -> Track:
    return Track(
        knot_frames=draw(st.sampled_from((1, 2, 3, 6))),
        exponent=draw(st.integers(2, 5)),
        origin_us=draw(st.integers(800, 2200)),
        rest=draw(st.integers(-500, 500)),
        parked=draw(st.integers(-500, 500)),
        low=-800,
        high=700,
    )


@st.composite
def shows(draw: st.DrawFn, wide: bool = False) -> Show:
    """Scene 0 is the idle loop, 1 a scene, 2 another loop; ``wide`` uses all 16 bits of a point."""
    every = draw(st.lists(tracks(), min_size=1, max_size=4))
    lamps = draw(st.integers(0, 2))
    switches = draw(st.integers(0, 2))
    fades = st.integers(1, 15).map(lambda knots: 6 * knots)
    scenes = []
    for loop in (True, False, True):
        frames = 6 * draw(st.integers(1, 12))
        scenes.append(
            Scene(
                frames=frames,
                loop=loop,
                points=[draw(track_points(track, frames, loop, wide)) for track in every],
                lamps=[draw(lamp_streams()) for _ in range(lamps)],
                switches=[draw(switch_streams()) for _ in range(switches)],
                fade_in=draw(fades) if loop else 0,
                order=draw(st.integers(1, 3)),
                k=draw(st.integers(0, 11)),
            )
        )
    cells = [(left, right) for left in (0, 2) for right in (0, 1, 2, NONE)]
    return Show(
        tracks=every,
        scenes=scenes,
        transitions={cell: (draw(fades), draw(fades) - 6) for cell in cells},
        idle=0,
        settle=draw(fades),
        stop=draw(fades),
        stagger=draw(st.integers(0, 5)),
        boot=draw(st.integers(0, 9)),
        lamp_rest=draw(st.lists(st.integers(0, 200), min_size=lamps, max_size=lamps)),
        max_on=draw(st.lists(st.integers(0, 40), min_size=switches, max_size=switches)),
    )
