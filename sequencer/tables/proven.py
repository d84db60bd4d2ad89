"""Proofs of transitions that are remembered by what they are about, track by track.

A track's part in a transition depends on its own record and its own streams alone, and a pair's on those of
both and their faces. So after an edit only tracks whose streams changed are proven again, by the same
compiled player on an image that holds nothing but these. What is remembered is what the player answered.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from sequencer.kept import Kept
from sequencer.tables import extra_policy, extra_stopping
from sequencer.tables.model import NONE, ShowImage
from sequencer.tables.transitions import Answer, Prover
from sequencer.tables.worst import Worst

#: The answer about a track of which nothing has been watched yet, as the core begins it.
NOTHING_YET = Worst(low=32767, high=-32768, d1=0, d2=0, d3=0)

#: (track, other track, a, b, limit, inner), tracks by their place.
Face = tuple[int, int, int, int, int, int]


@dataclass(frozen=True)
class _Group:
    """Tracks that are proven together, by their places, and the faces between them by theirs."""

    tracks: tuple[int, ...]
    faces: tuple[int, ...]


@dataclass(frozen=True)
class _Found:
    """What was answered about a group: its tracks, then its faces; ``whole``: it was watched to the end."""

    answer: tuple[Worst, ...]
    whole: bool


class KeptProver:
    """A :class:`~sequencer.tables.transitions.Prover` of a show that asks the core only what is not known.

    Args:
        show: what is to be proven; the times of its transitions don't matter.
        opened: makes a player with a show's image open.
        kept: where answers are.
    """

    def __init__(self, show: ShowImage, opened: Callable[[ShowImage], Prover], kept: Kept) -> None:
        self._show = show
        self._opened = opened
        self._kept = kept
        self._faces: list[Face] = []
        self._groups = [_Group((track,), ()) for track in range(len(show.tracks))]
        self._players: dict[tuple[_Group, ...], Prover] = {}

    def watch_faces(self, faces: Sequence[Sequence[int]]) -> None:
        """Also watch these from now on: (track, other track, a, b, limit, inner) of each."""
        self._faces = [(a, b, c, d, e, f) for a, b, c, d, e, f in faces]
        self._players = {}
        partner: dict[int, tuple[int, ...]] = {
            track: tuple(sorted({track, *(t for face in self._faces if track in face[:2] for t in face[:2])}))
            for track in range(len(self._show.tracks))
        }
        self._groups = [
            _Group(
                tracks,
                tuple(place for place, face in enumerate(self._faces) if face[0] in tracks),
            )
            for tracks in dict.fromkeys(partner.values())
        ]

    def prove_leaving(
        self,
        loop: int,
        scene: int,
        fade_frames: int,
        delay_frames: int,
        fade_in_frames: int | None = None,
        *,
        stop_early: bool = False,
    ) -> Answer:
        """From every common knot of a loop into a scene (255: to rest)."""
        if fade_in_frames is None:
            fade_in_frames = 0 if scene == NONE else self._show.scenes[scene].fade_in_frames
        enter = fade_in_frames
        return self._prove(
            ("leave", fade_frames, delay_frames, enter),
            (loop, scene),
            lambda player, early: player.prove_leaving(
                loop, scene, fade_frames, delay_frames, enter, stop_early=early
            ),
            stop_early,
        )

    def prove_entering(self, loop: int, fade_in_frames: int, *, stop_early: bool = False) -> Answer:
        """From rest into phase 0 of a loop."""
        return self._prove(
            ("enter", fade_in_frames),
            (loop,),
            lambda player, early: player.prove_entering(loop, fade_in_frames, stop_early=early),
            stop_early,
        )

    def prove_stopping(self, scene: int, stop_frames: int, *, stop_early: bool = False) -> Answer:
        """The stored stop from every common knot of a scene."""
        return self._prove(
            ("stop", stop_frames),
            (scene,),
            lambda player, early: player.prove_stopping(scene, stop_frames, stop_early=early),
            stop_early,
        )

    def prove_settling(self, settle_frames: int, *, stop_early: bool = False) -> Answer:
        """Rest-to-rest from where a track is parked and every value between its bounds."""
        return self._prove(
            ("settle", settle_frames),
            (),
            lambda player, early: player.prove_settling(settle_frames, stop_early=early),
            stop_early,
        )

    def prove_parking(self, park_frames: int, *, stop_early: bool = False) -> Answer:
        """To the parked pose from every value between a track's bounds."""
        return self._prove(
            ("park", park_frames),
            (),
            lambda player, early: player.prove_parking(park_frames, stop_early=early),
            stop_early,
        )

    # -- remembering ---------------------------------------------------------------------------

    def _prove(
        self,
        kind: tuple[Hashable, ...],
        scenes: tuple[int, ...],
        ask: Callable[[Prover, bool], Answer],
        early: bool,
    ) -> Answer:
        keys = {group: ("proof", kind, self._about(group, scenes)) for group in self._groups}
        found: dict[_Group, _Found] = {}
        for group, key in keys.items():
            known = self._kept.find(key)
            if known is not None:
                found[group] = known
        if early and not all(self._keeps(group, item, kind) for group, item in found.items()):
            return self._joined(found)
        missing = tuple(group for group in self._groups if group not in found or not found[group].whole)
        if missing:
            answer = ask(self._player(missing), early)
            parts = dict(zip(missing, _split(missing, answer), strict=True))
            # An early answer ends at the first value beyond a bound: without one it was watched to the end.
            kept = {group: self._keeps(group, _Found(part, True), kind) for group, part in parts.items()}
            whole = not early or all(kept.values())
            for group, part in parts.items():
                found[group] = _Found(part, whole)
                if whole or not kept[group]:
                    self._kept.put(keys[group], found[group])
        return self._joined(found)

    def _about(self, group: _Group, scenes: Iterable[int]) -> Hashable:
        """All that the answer about a group depends on: records, faces, and the streams of the scenes."""
        records = tuple(self._show.tracks[track] for track in group.tracks)
        places = {track: place for place, track in enumerate(group.tracks)}
        faces = tuple(
            (places[one], places[other], *rest)
            for one, other, *rest in (self._faces[face] for face in group.faces)
        )
        played: list[Hashable] = []
        for number in scenes:
            if number == NONE:
                played.append(None)
                continue
            scene = self._show.scenes[number]
            played.append((scene.frames, scene.loop, tuple(scene.tracks[track] for track in group.tracks)))
        return records, faces, tuple(played)

    def _keeps(self, group: _Group, found: _Found, kind: tuple[Hashable, ...]) -> bool:
        """Whether nothing that was watched is beyond what the core was told to stop at."""
        records = [self._show.tracks[track] for track in group.tracks]
        worst = found.answer[: len(records)]
        lines = found.answer[len(records) :]
        # A profile to rest, or to the parked pose, begins within `inner` and may be
        # rounded beyond it, up to the limit.
        bound = 4 if kind[0] in ("settle", "park") else 5
        return all(item.within(record) for item, record in zip(worst, records, strict=True)) and all(
            line.high <= self._faces[face][bound] for line, face in zip(lines, group.faces, strict=True)
        )

    # -- one image for some tracks -------------------------------------------------------------

    def _player(self, groups: tuple[_Group, ...]) -> Prover:
        player = self._players.get(groups)
        if player is None:
            tracks, faces = _places(groups)
            player = self._players[groups] = self._opened(_only(self._show, tracks))
            if faces:
                watched = [self._faces[face] for face in faces]
                player.watch_faces(
                    [(tracks.index(one), tracks.index(other), *rest) for one, other, *rest in watched]
                )
        return player

    def _joined(self, found: Mapping[_Group, _Found]) -> Answer:
        """The answer about all tracks and faces in order, as far as it is known."""
        tracks = [NOTHING_YET] * len(self._show.tracks)
        faces = [NOTHING_YET] * len(self._faces)
        for group, item in found.items():
            for track, worst in zip(group.tracks, item.answer, strict=False):
                tracks[track] = worst
            for face, worst in zip(group.faces, item.answer[len(group.tracks) :], strict=True):
                faces[face] = worst
        return [*tracks, *faces]


def _places(groups: Iterable[_Group]) -> tuple[list[int], list[int]]:
    """The places of the groups' tracks and of their faces, in order."""
    groups = tuple(groups)
    return (
        sorted(track for group in groups for track in group.tracks),
        sorted(face for group in groups for face in group.faces),
    )


def _split(groups: tuple[_Group, ...], answer: Answer) -> list[tuple[Worst, ...]]:
    """An answer about some groups, group by group."""
    tracks, faces = _places(groups)
    by_track = dict(zip(tracks, answer, strict=False))
    by_face = dict(zip(faces, answer[len(tracks) :], strict=True))
    return [
        (*(by_track[track] for track in group.tracks), *(by_face[face] for face in group.faces))
        for group in groups
    ]


def _only(show: ShowImage, tracks: Sequence[int]) -> ShowImage:
    """The show with these tracks and nothing else that plays."""
    return replace(
        show,
        tracks=tuple(show.tracks[track] for track in tracks),
        lamps=(),
        switches=(),
        inputs=(),
        # No proof depends on what plays by itself, or on which track parks; both count tracks and inputs.
        extras=tuple(item for item in show.extras if item.tag not in (extra_policy.TAG, extra_stopping.TAG)),
        scenes=tuple(
            replace(scene, tracks=tuple(scene.tracks[track] for track in tracks), lamps=(), switches=())
            for scene in show.scenes
        ),
    )
