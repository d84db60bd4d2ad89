"""The build script, as a module; a compiler for this machine, or none."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[2]
COMPILER = shutil.which("cc") or shutil.which("gcc")


def build_script() -> ModuleType:
    name = "quarterjack_firmware_build"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, ROOT / "firmware_templates" / "build.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]
