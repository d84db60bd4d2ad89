"""Everything that ``compile`` writes, written whole or not at all."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from sequencer.errors import Fault, InputError
from sequencer.firmware.boards import Player
from sequencer.firmware.header import lsb_deg, render_header
from sequencer.firmware.join import check_room, join, room_bytes
from sequencer.firmware.sketch import portable_files, sketch_files, sketch_name, sketch_tree
from sequencer.motion.model import Certificate, PairCertificates, TrackSpec
from sequencer.tables.extra_expanders import FIRST_PIN, OUTPUTS, read_expanders
from sequencer.tables.image import image_crc32
from sequencer.tables.model import ShowImage
from sequencer.tables.room import Room, room

#: What to write: the board's files, the portable sketch, or both.
Target = Literal["hex", "sketch", "all"]


@dataclass(frozen=True)
class Compiled:
    """What was made. ``files`` are paths as the builder gave the folder, the sketch folder as one."""

    files: tuple[Path, ...]
    room: Room
    contract: Mapping[str, Any]


def write_outputs(
    out: Path,
    show: ShowImage,
    image: bytes,
    specs: Mapping[str, TrackSpec],
    certificate: Certificate,
    player: Player,
    report: str,
    pairs: PairCertificates | None = None,
    memory_bytes: int = 0,
    target: Target = "hex",
) -> Compiled:
    """Write header, sketch folder, hex, image, certificate and report into the folder ``out``.

    ``target`` "hex" has the board's own files: the hex, and its player as a sketch. "sketch" has the
    portable sketch for any other controller instead of both, however large the image; "all" has the three.
    The certificate's file also tells the polygons of ``pairs``. Everything is made beside ``out`` first
    and moved in at the end; when anything goes wrong, ``out`` is as it was. Other files in it are left
    alone.

    Returns:
        The files, the room left on the board, and the ``compile --json`` contract.

    Raises:
        RoomError: the image does not fit the board.
        InputError: ``out`` is a file, or cannot be written; the portable sketch cannot drive this show.
    """
    name = sketch_name(show.figure)
    header = render_header(show, image, specs)
    contents: dict[str, str | bytes | Mapping[str, str]] = {"show_image.h": header}
    if target == "sketch":
        found = room(show, image, room_bytes(player.board, memory_bytes))
    else:
        found = check_room(show, image, player.board, memory_bytes)
        contents[name] = sketch_files(name, show, player.board, header)
        contents[f"{name}.hex"] = join(player, image, show)[0]
    if target != "hex":
        portable = f"{name}_portable"
        contents[portable] = portable_files(portable, show, player.board, header)
    contents[f"{name}.qji"] = image
    items = [*contents, "certificate.json", "report.txt"]
    contract = json_contract([str(out / item) for item in items], image, specs, certificate)
    proven = {
        **contract["certificate"],
        **({"pairs": _pairs_json(pairs)} if pairs else {}),
        **_steps_json(show),
    }
    contents["certificate.json"] = json.dumps(proven, indent=2) + "\n"
    contents["report.txt"] = report if report.endswith("\n") else report + "\n"
    if out.exists() and not out.is_dir():
        raise InputError(
            Fault(
                "the output folder is a file",
                str(out),
                remedy="choose another folder with -o, or move the file away",
            )
        )
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".quarterjack-", dir=out.parent) as made:
            fresh, old = Path(made) / "new", Path(made) / "old"
            fresh.mkdir()
            old.mkdir()
            for item, content in contents.items():
                _write(fresh / item, content)
            _move_in(items, fresh, old, out)
    except OSError as error:
        raise InputError(
            Fault(
                f"the output cannot be written: {error.strerror or error}",
                file=str(out),
                remedy="choose a folder that you may write to with -o, and see that the disk is not full",
            )
        ) from error
    return Compiled(tuple(out / item for item in items), found, contract)


def _write(path: Path, content: str | bytes | Mapping[str, str]) -> None:
    """A file of text or bytes, or a folder of files."""
    if isinstance(content, str):
        path.write_text(content, encoding="utf-8", newline="\n")
    elif isinstance(content, bytes):
        path.write_bytes(content)
    else:
        sketch_tree(content, path)


def _move_in(items: list[str], fresh: Path, old: Path, out: Path) -> None:
    """Move the new items into ``out``, its old ones aside; undo everything when one cannot be moved."""
    made_out = not out.exists()
    out.mkdir(exist_ok=True)
    moved: list[str] = []
    try:
        for item in items:
            if (out / item).exists():
                os.replace(out / item, old / item)  # noqa: PTH105 - a pair with the undo below
            moved.append(item)
            os.replace(fresh / item, out / item)  # noqa: PTH105
    except OSError:
        for item in moved:
            if (out / item).is_dir():
                shutil.rmtree(out / item, ignore_errors=True)
            else:
                (out / item).unlink(missing_ok=True)
            if (old / item).exists():
                os.replace(old / item, out / item)  # noqa: PTH105
        if made_out:
            out.rmdir()
        raise


def _steps_json(show: ShowImage) -> dict[str, Any]:
    """What the certificate does not cover: an expander rounds each pulse of these tracks to its own count."""
    chips = read_expanders(show)
    coarse = {
        track.name: {"pulse_step_us": round(chips[(track.pin - FIRST_PIN) // OUTPUTS].tick_us, 4)}
        for track in show.tracks
        if track.pin >= FIRST_PIN
    }
    return {"expanders": coarse} if coarse else {}


def _pairs_json(pairs: PairCertificates) -> dict[str, Any]:
    """Every side of each polygon, a * c1 + b * c2 <= bound over the tracks' control points, and the worst."""
    return {
        name: {
            "tracks": list(pair.spec.tracks),
            "faces": [
                {"a": face.a, "b": face.b, "max": worst.max, "bound": worst.bound, "scene": worst.scene}
                for face, worst in zip(pair.spec.faces, pair.faces, strict=True)
            ],
        }
        for name, pair in pairs.items()
    }


def json_contract(
    files: list[str], image: bytes, specs: Mapping[str, TrackSpec], certificate: Certificate
) -> dict[str, Any]:
    """The object that ``compile --json`` prints (schema 1)."""
    return {
        "schema": 1,
        "files": files,
        "image_crc32": f"{image_crc32(image):08x}",
        "image_bytes": len(image),
        "units": {
            name: {
                "lsb_us": spec.lsb_us,
                "lsb_deg": lsb_deg(spec),
                "frame_us": spec.frame_us,
                "knot_frames": spec.knot_frames,
            }
            for name, spec in specs.items()
        },
        "certificate": {
            name: {
                "position": asdict(track.position),
                "velocity": asdict(track.velocity),
                "acceleration": asdict(track.acceleration),
                "jerk": asdict(track.jerk),
            }
            for name, track in certificate.items()
        },
    }
