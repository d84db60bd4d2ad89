"""A part's mass from its mesh: volume and inertia of closed surfaces, solid or as a shell with infill.

The mesh library is an optional extra and is only imported here, when a figure names an STL file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Typical density of printed plastic, g/cm3 (polylactide).
TYPICAL_DENSITY_G_CM3 = 1.24
#: Metres in the units that mesh files are drawn in; the file itself does not say.
METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0, "inch": 0.0254}
#: A part smaller or larger than this is a wrong unit, metres.
SMALLEST_M, LARGEST_M = 0.002, 3.0


class MeshTroubleError(Exception):
    """A mesh that gives no mass: what is wrong with it and what to do."""

    def __init__(self, message: str, value: str | None, limit: str | None, remedy: str) -> None:
        super().__init__(message)
        self.message, self.value, self.limit, self.remedy = message, value, limit, remedy


@dataclass(frozen=True)
class MeshMass:
    """Mass in kg, centre (3,) in m and tensor (3, 3) about it, in the mesh's own directions; its box in m."""

    mass_kg: float
    centre_m: Array
    tensor_kg_m2: Array
    low_m: Array
    high_m: Array


def mesh_mass(
    path: Path,
    units: str,
    density_g_cm3: float,
    wall_mm: float | None = None,
    infill_percent: float | None = None,
) -> MeshMass:
    """The mass of the body that the mesh at ``path`` encloses.

    Without ``wall_mm`` it is solid. With it, it is a wall of full density and, inside, ``infill_percent``
    of it (nothing when that is None). Raises :class:`MeshTroubleError` when the file cannot be read, has
    holes, is of an impossible size, or when the mesh library is not installed.
    """
    mesh = _closed(_load(path), path.name)
    scale = METRES[units]
    sizes = mesh.extents * scale
    if not SMALLEST_M <= float(sizes.max()) <= LARGEST_M:
        raise MeshTroubleError(
            "the mesh has an impossible size for these units",
            f"{1000 * sizes.max():.4g} mm long",
            f"{1000 * SMALLEST_M:g} to {1000 * LARGEST_M:g} mm",
            _units_remedy(float(mesh.extents.max())),
        )
    mesh.apply_scale(scale)
    density = density_g_cm3 * 1000.0
    outer = _solid(mesh.vertices, mesh.faces)
    inner = None if wall_mm is None else _hollow(mesh, wall_mm / 1000.0)
    share = 0.0 if infill_percent is None else infill_percent / 100.0
    parts = [(density, outer)] if inner is None else [(density, outer), (-density * (1.0 - share), inner)]
    mass = sum(weight * part.volume_m3 for weight, part in parts)
    centre = sum((weight * part.volume_m3 * part.centre_m for weight, part in parts), np.zeros(3)) / mass
    tensor = np.zeros((3, 3))
    for weight, part in parts:
        arm = part.centre_m - centre
        moved = part.volume_m3 * (arm @ arm * np.eye(3) - np.outer(arm, arm))
        tensor += weight * (part.tensor_m5 + moved)
    low, high = np.asarray(mesh.bounds, dtype=np.float64)
    return MeshMass(float(mass), centre, tensor, low, high)


def rotation(turned_deg: tuple[float, float, float]) -> Array:
    """(3, 3): turned about the figure's x first, then its y, then its z, right hand."""
    turn = np.eye(3)
    for index, angle in enumerate(turned_deg):
        sine, cosine = math.sin(math.radians(angle)), math.cos(math.radians(angle))
        one = np.eye(3)
        first, second = (index + 1) % 3, (index + 2) % 3
        one[first, first] = one[second, second] = cosine
        one[first, second], one[second, first] = -sine, sine
        turn = one @ turn
    return turn


@dataclass(frozen=True)
class _Solid:
    """Unit density: volume, centroid, tensor about it."""

    volume_m3: float
    centre_m: Array
    tensor_m5: Array


def _load(path: Path) -> Any:
    try:
        import trimesh
    except ImportError:
        raise MeshTroubleError(
            "reading a mesh needs the package trimesh, which is not installed",
            None,
            None,
            "install it with `pip install 'quarterjack[stl]'`, or give the part's weight and a shape",
        ) from None
    if not path.is_file():
        raise MeshTroubleError(
            "there is no such mesh file", str(path), None, "put it beside figure.toml, or correct `file`"
        )
    try:
        mesh = trimesh.load_mesh(path, file_type="stl")
    except Exception as error:  # the library raises many kinds for a damaged file
        raise MeshTroubleError(
            f"the mesh cannot be read ({type(error).__name__})",
            path.name,
            None,
            "export it again as STL, binary or ASCII",
        ) from None
    if not isinstance(mesh, trimesh.Trimesh) or len(mesh.faces) < 4:
        raise MeshTroubleError("the file holds no closed body", path.name, None, "export it again as STL")
    if not np.isfinite(mesh.vertices).all():
        raise MeshTroubleError("the mesh has points at no place", path.name, None, "export it again as STL")
    return mesh


def _closed(mesh: Any, name: str) -> Any:
    """The mesh with its faces turned outwards; holes are refused, because then it has no volume."""
    if not mesh.is_watertight:
        edges = np.sort(mesh.edges, axis=1)
        _, counts = np.unique(edges, axis=0, return_counts=True)
        size = ", ".join(f"{length:.4g}" for length in mesh.extents)
        raise MeshTroubleError(
            f"{name} is not watertight: it has holes, so it has no volume and no weight",
            f"{int((counts != 2).sum())} open edges",
            "0",
            "close the holes (the slicer's or modeller's repair), or describe the part as "
            f'shape = "box" with size_mm = [{size}] and its weight_g',
        )
    if not mesh.is_winding_consistent or mesh.volume < 0.0:
        mesh.fix_normals()
    return mesh


def _units_remedy(longest: float) -> str:
    fitting = [name for name, metres in METRES.items() if SMALLEST_M <= longest * metres <= LARGEST_M]
    if not fitting:
        return "scale the part in the modeller; no unit makes it a figure's part"
    return "write units = " + " or ".join(f'"{name}"' for name in fitting)


def _solid(vertices: Array, faces: Any) -> _Solid:
    import trimesh

    body = trimesh.Trimesh(vertices=vertices, faces=faces, process=False, validate=False)
    body.density = 1.0
    return _Solid(
        float(body.volume),
        np.asarray(body.center_mass, dtype=np.float64),
        np.asarray(body.moment_inertia, dtype=np.float64),
    )


def _hollow(mesh: Any, wall_m: float) -> _Solid | None:
    """The room inside a wall of ``wall_m``, or None when the wall fills the part.

    Every corner moves inwards so that each of its faces does by the wall (least squares where more than
    three meet): exact for boxes, first order for round parts, an estimate where walls meet.
    """
    if mesh.area * wall_m / 2.0 >= mesh.volume:
        return None
    count = len(mesh.vertices)
    normals = mesh.face_normals
    weights = mesh.face_angles
    outer = np.zeros((count, 3, 3))
    right = np.zeros((count, 3))
    for corner in range(3):
        where = mesh.faces[:, corner]
        share = weights[:, corner]
        np.add.at(outer, where, share[:, None, None] * normals[:, :, None] * normals[:, None, :])
        np.add.at(right, where, share[:, None] * normals)
    # Directions in which the faces of a corner hardly differ are left alone.
    inward = -wall_m * (np.linalg.pinv(outer, rcond=1e-2, hermitian=True) @ right[:, :, None])[:, :, 0]
    length = np.linalg.norm(inward, axis=1)
    longest = 3.0 * wall_m
    inward *= np.minimum(1.0, longest / np.maximum(length, 1e-12))[:, None]
    inner = _solid(mesh.vertices + inward, mesh.faces)
    return inner if 0.0 < inner.volume_m3 < mesh.volume else None
