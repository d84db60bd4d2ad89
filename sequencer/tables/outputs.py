"""Strings and sound module of a figure as the player knows them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sequencer.errors import Fault, PlanError
from sequencer.figure.model import Figure, LedString
from sequencer.tables.extra_sound import NO_PLACE, SoundRecord, sound_extra
from sequencer.tables.extra_strings import StringRecord, strings_extra
from sequencer.tables.lamp_channels import channel_numbers
from sequencer.tables.model import Extra, ShowImage
from sequencer.tables.streams import frames_from_s

#: Cycles of the board's timer a second.
CLOCK_HZ = 16_000_000
_ORDER = {"grb": (1, 0, 2), "rgb": (0, 1, 2)}


def string_record(figure: Figure, string: LedString) -> StringRecord:
    """One string: the lamp's channels in the order of the wire; its own colour is laid over the lamp's."""
    lamps = channel_numbers(figure, string.follows)
    shares = [min(255, round(255 * share)) for share in string.colour]
    one, two, three = _ORDER[string.order]
    return StringRecord(
        string.pin,
        string.leds,
        (lamps[one], lamps[two], lamps[three]),
        (shares[one], shares[two], shares[three]),
    )


def strings_of(figure: Figure) -> Extra | None:
    """The figure's strings, None without."""
    return strings_extra([string_record(figure, string) for string in figure.strings.values()])


def sound_of(figure: Figure, contents: ShowImage, sounds: Mapping[str, Sequence[float]]) -> Extra | None:
    """The figure's sound module, None without.

    ``sounds`` are the times at which each scene's sounds begin, seconds; a scene without any starts its track
    with itself. What would have to be told before the scene begins is told with it.

    Raises:
        PlanError: a track for a scene that is not there.
    """
    module = figure.sound_module
    if module is None:
        return None
    names = [scene.name for scene in contents.scenes]
    # A part of a show may be built alone; only a name that no scene of the folder has is a slip.
    strange = [name for name in module.tracks if name not in sounds]
    if strange:
        raise PlanError(
            Fault(
                f"the sound module has a track for `{strange[0]}`, and there is no such scene",
                figure.file,
                line=module.line,
                quantity="tracks",
                value=strange[0],
                limit=", ".join(names),
                remedy="name a scene of this folder",
            )
        )
    starts: list[tuple[int, int] | None] = []
    for scene in contents.scenes:
        if scene.name not in module.tracks:
            starts.append(None)
            continue
        at_s = max(0.0, min(sounds[scene.name], default=0.0) - module.lead_s)
        # The clock counts frames played, and a scene that is over stands at its length.
        clock = min(frames_from_s(at_s, contents.frame_us) + 1, scene.frames - 1)
        starts.append((module.tracks[scene.name], clock))
    serial = module.kind == "serial"
    time = (
        round(CLOCK_HZ / module.baud) if serial else max(1, frames_from_s(module.pulse_s, contents.frame_us))
    )
    place = NO_PLACE if module.place is None else module.place
    return sound_extra(
        SoundRecord(
            module.pin,
            serial,
            module.active_low,
            time,
            module.message,
            place,
            tuple(starts),
            module.silence,
        )
    )
