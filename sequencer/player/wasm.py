"""The core as WebAssembly, run by wasmtime: the same integers on every system, nothing to compile.

A call across the border costs some tens of microseconds, so the player crosses in blocks of frames.
"""

from __future__ import annotations

import atexit
import functools
import importlib.resources
import weakref
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # wasmtime takes a while to load: only a machine that runs needs it
    import wasmtime


def wasm_bytes() -> bytes:
    """The prebuilt module (``make firmware`` rebuilds it byte for byte); a browser runs the same bytes."""
    return importlib.resources.files("sequencer.player").joinpath("data/player.wasm").read_bytes()


@functools.cache
def _compiled() -> tuple[wasmtime.Engine, wasmtime.Module]:
    import wasmtime

    atexit.register(_close_all)
    engine = wasmtime.Engine()
    return engine, wasmtime.Module(engine, wasm_bytes())


_alive: weakref.WeakSet[WasmMachine] = weakref.WeakSet()


def _close_all() -> None:
    """While the interpreter shuts down the library can no longer free things, and would say so on stderr."""
    for machine in list(_alive):
        machine.close()
    for part in reversed(_compiled()):
        part.close()
    _compiled.cache_clear()


class WasmMachine:
    """A :class:`~sequencer.player.machine.Machine` in WebAssembly; each has its own memory."""

    def __init__(self) -> None:
        import wasmtime

        engine, module = _compiled()
        self._store = wasmtime.Store(engine)
        self._exports: Any = wasmtime.Instance(self._store, module, []).exports(self._store)
        self._functions: dict[str, Any] = {}
        self._memory: Any = self._exports["memory"]
        _alive.add(self)

    def close(self) -> None:
        """Free its memory; it cannot run afterwards."""
        self._store.close()

    def call(self, name: str, *numbers: int) -> int:
        """Run an exported function of unsigned 32-bit numbers."""
        function = self._functions.get(name)
        if function is None:
            function = self._functions[name] = self._exports[name]
        result = function(self._store, *numbers)
        return 0 if result is None else int(result) & 0xFFFFFFFF

    def read(self, address: int, size: int) -> bytes:
        """Copy bytes out of its memory."""
        return bytes(self._memory.read(self._store, address, address + size))

    def write(self, address: int, data: bytes) -> None:
        """Copy bytes into its memory."""
        self._memory.write(self._store, data, address)
