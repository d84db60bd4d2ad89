"""The core compiled for this machine, behind the same calls as the WebAssembly one."""

from __future__ import annotations

import ctypes
import shutil
import tempfile
from pathlib import Path

_ADDRESSES = {"x_image", "x_rows", "x_in", "x_out", "x_state", "x_proof"}


class HostMachine:
    """One instance; each loads its own copy of the library, since its state is global."""

    def __init__(self, library: Path) -> None:
        with tempfile.TemporaryDirectory() as folder:
            own = Path(folder) / "own.so"
            shutil.copy(library, own)
            self._library = ctypes.CDLL(str(own))

    def call(self, name: str, *numbers: int) -> int:
        function = getattr(self._library, name)
        function.restype = ctypes.c_void_p if name in _ADDRESSES else ctypes.c_uint32
        function.argtypes = [ctypes.c_uint32] * len(numbers)
        result = function(*numbers)
        return 0 if result is None else int(result)

    def read(self, address: int, size: int) -> bytes:
        return ctypes.string_at(address, size)

    def write(self, address: int, data: bytes) -> None:
        ctypes.memmove(address, data, len(data))
