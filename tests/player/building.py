"""The build script, as a module."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[2]


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
