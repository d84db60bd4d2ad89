"""The entry point: a table of commands, of which only the one that is asked for is imported.

The table also prints ``quarterjack --help``, so that it needs no library at all and is instant.
"""

from __future__ import annotations

import os
import sys

from sequencer import __version__


class Command:
    """A command's words as typed, the module that holds its ``command`` function, and one line of help.

    A plain class: importing dataclasses would double the time that ``--help`` takes.
    """

    __slots__ = ("module", "summary", "words")

    def __init__(self, words: tuple[str, ...], module: str, summary: str) -> None:
        self.words = words
        self.module = module
        self.summary = summary


COMMANDS: tuple[Command, ...] = (
    Command(("size",), "size", "Which servo a head wants, from four numbers; no file needed."),
    Command(("new",), "new", "Write a commented, working starter show."),
    Command(("bench",), "bench", "Move one servo or lamp by keys; no figure file needed."),
    Command(("measure",), "measure", "Ask for readings with kitchen tools and write them to the figure."),
    Command(("calibrate",), "calibrate", "Find each servo's centre and ends on the board, write the figure."),
    Command(("figure",), "figure", "Print the figure sheet: what it can carry, how fast, and why."),
    Command(("check",), "check", "Plan, compile in memory, play on the player core, report findings."),
    Command(("preview",), "preview", "Draw scenes: wished against planned, as a PNG or an HTML page."),
    Command(("compile",), "compile", "Write header, sketch, hex, image, certificate and report."),
    Command(("flash",), "flash", "Compile if needed, upload, read back, wait for the board's hello."),
    Command(("trigger",), "trigger", "Play a scene on a board and follow it."),
    Command(("ports",), "ports", "List the boards that are plugged in."),
    Command(("virtual",), "virtual", "Serve a virtual board to other programs."),
    Command(("import", "midi"), "import_midi", "Turn a MIDI file into text that a scene names."),
    Command(("demo",), "demo", "The whole road once, on the Lantern Keeper and the virtual board."),
)


def help_text() -> str:
    """The page that ``quarterjack --help`` prints."""
    width = max(len(" ".join(command.words)) for command in COMMANDS)
    rows = [f"  {' '.join(command.words):<{width}}  {command.summary}" for command in COMMANDS]
    return "\n".join(
        [
            "Usage: quarterjack COMMAND ...",
            "",
            "Scenes for moving figures: planned within what the mechanism can do, proven, and",
            "compiled to tables that a small board plays exactly.",
            "",
            "Commands:",
            *rows,
            "",
            "quarterjack COMMAND --help tells more. Exit codes: 0 fine, 1 error findings, 2 bad input,",
            "3 board or port. A moving figure can pinch, fall and burn: a software stop is no safety stop.",
        ]
    )


def find(arguments: list[str]) -> Command | None:
    """The command whose words begin ``arguments``, or None."""
    for command in COMMANDS:
        if tuple(arguments[: len(command.words)]) == command.words:
            return command
    return None


def _unknown(arguments: list[str]) -> str:
    import difflib

    asked = arguments[0]
    if asked == "import":
        return "quarterjack: `import` needs to know what: quarterjack import midi FILE"
    near = difflib.get_close_matches(asked, [command.words[0] for command in COMMANDS], n=1)
    hint = f" Did you mean `{near[0]}`?" if near else ""
    return f"quarterjack: there is no command `{asked}`.{hint} quarterjack --help lists them."


def _describe_os_error(error: OSError) -> str:
    place = error.filename if isinstance(error.filename, str) else "a file"
    remedy = "check that it exists, that you may write there, and that the disk has room"
    return f"{place}: {error.strerror or error}\n    do: {remedy}"


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit code; nothing but that command's module is imported."""
    if not arguments or arguments[0] in ("--help", "-h", "help"):
        print(help_text())
        return 0
    if arguments[0] == "--version":
        print(f"quarterjack {__version__}")
        return 0
    command = find(arguments)
    if command is None:
        print(_unknown(arguments), file=sys.stderr)
        return 2

    import importlib

    import typer

    from sequencer.errors import QuarterjackError

    module = importlib.import_module(f"sequencer.cli.{command.module}")
    app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
    app.command()(module.command)
    try:
        app(arguments[len(command.words) :], prog_name=f"quarterjack {' '.join(command.words)}")
    except SystemExit as ending:
        return ending.code if isinstance(ending.code, int) else int(ending.code is not None)
    except QuarterjackError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        # The reader of our output (a pager, head) went away: not an error of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        print(_describe_os_error(error), file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("\nstopped", file=sys.stderr)
        return 130
    return 0


def main() -> None:
    """Console script ``quarterjack``."""
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
