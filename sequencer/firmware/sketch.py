"""A sketch folder for those who build their own firmware: the player's sources and the show in a header."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from sequencer.errors import Fault, InputError
from sequencer.figure.pins import PINS
from sequencer.firmware.boards import BoardDescription
from sequencer.firmware.templates import comment_text, rendered, templates_folder
from sequencer.tables.model import BOARDS, ShowImage

#: The prebuilt player reads its show from a fixed place in flash; a sketch has it in a header.
_REPLACED = {"flash.c"}
#: Extras of the image that the portable sketch has no code for, by tag.
_HEX_ONLY = {4: "expanders", 5: "an I2C memory", 6: "strings of lamps", 7: "a sound module"}
_IN_A_SKETCH = (
    "/* No -ffixed-r2 keeps the compiler out of where loaders tell why the board was reset. */\n"
    "#define R2_IS_THE_COMPILERS\n\n/* In a sketch the show lies in the program, not here. */\n"
)
_MAIN = re.compile(
    r"^int main\(void\) \{\n(?P<first>.*?)  for \(;;\) \{\n(?P<turn>.*?)^  \}\n\}\n", re.DOTALL | re.MULTILINE
)


def sketch_name(show: str) -> str:
    """A name that folders, sketches and C can carry: letters, digits and underscores."""
    name = re.sub(r"[^A-Za-z0-9]+", "_", show).strip("_") or "show"
    return f"show_{name}" if name[0].isdigit() else name


def sketch_files(name: str, show: ShowImage, board: BoardDescription, header: str) -> dict[str, str]:
    """The files of the sketch folder ``name``: file name -> text.

    Raises:
        InputError: the player's sources are missing or not as expected.
    """
    folder = templates_folder()
    files = {
        f"{name}.ino": rendered("NAME.ino.j2", {"figure": comment_text(show.figure), "title": board.title}),
        "show_image.h": header,
        "show_image.c": rendered("show_image.c.j2", {"board": BOARDS[board.kind]}),
    }
    base = f"#define IMAGE_BASE {board.image_base:#x}u\n#define IMAGE_LIMIT {board.image_limit:#x}u\n\n"
    for source in _sources(folder / "core") + _sources(folder / "avr"):
        if source.name in _REPLACED:
            continue
        text = source.read_text(encoding="utf-8")
        if source.name == "main.c":
            files["player.c"] = _as_setup_and_loop(text, source)
        elif source.name == "qj_core.h":
            files[source.name] = _fitted(text, show, source)
        elif source.name == "board.h":
            files[source.name] = f"{_IN_A_SKETCH}{base}{text}"
        else:
            files[source.name] = text
    return files


def portable_files(name: str, show: ShowImage, board: BoardDescription, header: str) -> dict[str, str]:
    """The files of a sketch folder for any controller: the core and a platform made of the plain board API.

    Raises:
        InputError: the show uses what only the hex drives, or the player's sources are missing.
    """
    beyond = [_HEX_ONLY[extra.tag] for extra in show.extras if extra.tag in _HEX_ONLY]
    if beyond:
        raise InputError(
            Fault(
                f"the portable sketch does not drive {' or '.join(beyond)}",
                remedy="use the hex on an Uno, Nano or Mega, or take them out of figure.toml",
            )
        )
    values = {
        "figure": comment_text(show.figure),
        "a_title": PINS[board.kind].a_title,
        "board": BOARDS[board.kind],
    }
    files = {f"{name}.ino": rendered("portable.ino.j2", values), "show_image.h": header}
    for source in _sources(templates_folder() / "core"):
        text = source.read_text(encoding="utf-8")
        files[source.name] = _fitted(text, show, source) if source.name == "qj_core.h" else text
    return files


def _sources(folder: Path) -> list[Path]:
    return sorted(path for path in folder.glob("*.[ch]"))


def _as_setup_and_loop(text: str, source: Path) -> str:
    """main() split where its endless loop begins."""
    split = _MAIN.search(text)
    if split is None:
        raise InputError(Fault("the player's main() is not as expected", str(source)))
    turn = re.sub(r"^  ", "", split["turn"], flags=re.MULTILINE)
    parts = f"void player_setup(void) {{\n{split['first']}}}\n\nvoid player_loop(void) {{\n{turn}}}\n"
    declared = "void player_setup(void);\nvoid player_loop(void);\n\n"
    return text[: split.start()] + declared + parts + text[split.end() :]


def _fitted(text: str, show: ShowImage, source: Path) -> str:
    """qj_core.h with its tables as large as this show needs: a sketch has no flags to say so."""
    guard = "#define QJ_CORE_H\n"
    if guard not in text:
        raise InputError(Fault("the player's qj_core.h is not as expected", str(source)))
    sizes = {
        "TRACKS": len(show.tracks),
        "LAMPS": len(show.lamps),
        "SWITCHES": len(show.switches),
        "INPUTS": len(show.inputs),
    }
    defines = "".join(f"#define QJ_MAX_{what} {max(1, count)}\n" for what, count in sizes.items())
    return text.replace(
        guard, f"{guard}\n/* As large as this show needs. */\n#define QJ_SMALL_IMAGE\n{defines}", 1
    )


def sketch_tree(files: Mapping[str, str], folder: Path) -> None:
    """Write the files into ``folder``, which is made."""
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
