"""Masses of STL files against the handbooks' closed shapes (check-values 3: box exact, sphere -0.04 %)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from sequencer.figure import masses
from sequencer.figure.meshes import MeshTroubleError, mesh_mass, rotation

#: Density 1 g/cm3 in kg/m3.
WATER = 1000.0


def saved(mesh: trimesh.Trimesh, folder: Path) -> Path:
    path = folder / "part.stl"
    mesh.export(path)
    return path


def test_a_box_is_exact_wherever_it_stands(tmp_path: Path) -> None:
    mesh = trimesh.creation.box(extents=(60.0, 80.0, 18.0))
    mesh.apply_translation((44.0, 3.0, -28.0))
    body = mesh_mass(saved(mesh, tmp_path), "mm", 1.0)
    assert body.mass_kg == pytest.approx(0.06 * 0.08 * 0.018 * WATER, rel=1e-6)
    assert body.centre_m == pytest.approx([0.044, 0.003, -0.028], rel=1e-6)
    assert body.tensor_kg_m2 == pytest.approx(
        masses.box(body.mass_kg, (0.06, 0.08, 0.018)), rel=1e-5, abs=1e-12
    )


def test_a_ball_is_the_published_two_fifths(tmp_path: Path) -> None:
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=8.0)
    body = mesh_mass(saved(mesh, tmp_path), "cm", 1.0)
    assert body.tensor_kg_m2 == pytest.approx(masses.sphere(body.mass_kg, 0.08), rel=1e-3, abs=1e-9)
    full = 4.0 / 3.0 * np.pi * 0.08**3 * WATER
    assert body.mass_kg == pytest.approx(full, rel=1e-3)


@pytest.mark.parametrize("wall_mm", [2.0, 8.0, 15.0])
def test_a_walled_box_is_the_difference_of_two(tmp_path: Path, wall_mm: float) -> None:
    outer, inner = np.array([0.1, 0.08, 0.06]), np.array([0.1, 0.08, 0.06]) - 2e-3 * wall_mm
    body = mesh_mass(saved(trimesh.creation.box(extents=1000.0 * outer), tmp_path), "mm", 1.0, wall_mm)
    heavy, hole = WATER * outer.prod(), WATER * inner.prod()
    assert body.mass_kg == pytest.approx(heavy - hole, rel=1e-5)
    closed = masses.box(heavy, tuple(outer)) - masses.box(hole, tuple(inner))
    assert body.tensor_kg_m2 == pytest.approx(closed, rel=1e-5, abs=1e-12)


def test_a_walled_ball_is_the_hollow_sphere(tmp_path: Path) -> None:
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=80.0)
    body = mesh_mass(saved(mesh, tmp_path), "mm", 1.0, wall_mm=4.0)
    closed = 4.0 / 3.0 * np.pi * (0.08**3 - 0.076**3) * WATER
    assert body.mass_kg == pytest.approx(closed, rel=2e-3)
    assert body.tensor_kg_m2 == pytest.approx(
        masses.hollow_sphere(body.mass_kg, 0.08, 0.076), rel=2e-3, abs=1e-9
    )


def test_infill_stands_inside_the_wall(tmp_path: Path) -> None:
    path = saved(trimesh.creation.box(extents=(100.0, 80.0, 60.0)), tmp_path)
    solid, shell = mesh_mass(path, "mm", 1.24), mesh_mass(path, "mm", 1.24, 2.0)
    some = mesh_mass(path, "mm", 1.24, 2.0, 15.0)
    assert some.mass_kg == pytest.approx(0.85 * shell.mass_kg + 0.15 * solid.mass_kg, rel=1e-9)
    assert mesh_mass(path, "mm", 1.24, 2.0, 100.0).tensor_kg_m2 == pytest.approx(
        solid.tensor_kg_m2, rel=1e-6, abs=1e-12
    )


def test_a_wall_as_thick_as_the_part_is_solid(tmp_path: Path) -> None:
    path = saved(trimesh.creation.box(extents=(100.0, 80.0, 3.0)), tmp_path)
    assert mesh_mass(path, "mm", 1.0, 2.0).mass_kg == pytest.approx(mesh_mass(path, "mm", 1.0).mass_kg)


def test_inside_out_is_turned_round(tmp_path: Path) -> None:
    mesh = trimesh.creation.box(extents=(60.0, 80.0, 18.0))
    mesh.invert()
    assert mesh_mass(saved(mesh, tmp_path), "mm", 1.0).mass_kg == pytest.approx(0.0864)


def test_holes_are_refused_with_the_box_to_write_instead(tmp_path: Path) -> None:
    mesh = trimesh.creation.box(extents=(60.0, 80.0, 18.0))
    mesh.update_faces(np.arange(len(mesh.faces)) != 3)
    with pytest.raises(MeshTroubleError) as caught:
        mesh_mass(saved(mesh, tmp_path), "mm", 1.0)
    assert "not watertight" in caught.value.message
    assert caught.value.value == "3 open edges"
    assert "size_mm = [60, 80, 18]" in caught.value.remedy


def test_a_wrong_unit_names_the_right_one(tmp_path: Path) -> None:
    path = saved(trimesh.creation.box(extents=(0.19, 0.15, 0.2)), tmp_path)
    with pytest.raises(MeshTroubleError) as caught:
        mesh_mass(path, "mm", 1.0)
    assert '"m"' in caught.value.remedy
    assert '"mm"' not in caught.value.remedy


@pytest.mark.parametrize("data", [b"", b"solid", b"\0" * 83, b"\xff" * 200, b"solid x\nfacet normal 0 0 x\n"])
def test_damaged_files_are_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "part.stl"
    path.write_bytes(data)
    with pytest.raises(MeshTroubleError):
        mesh_mass(path, "mm", 1.0)


def test_turned_about_z_forward_becomes_left() -> None:
    assert rotation((0.0, 0.0, 90.0)) @ np.array([1.0, 0.0, 0.0]) == pytest.approx([0.0, 1.0, 0.0])
    # x first: up goes to the right, which a quarter turn about z then takes forward.
    assert rotation((90.0, 0.0, 90.0)) @ np.array([0.0, 0.0, 1.0]) == pytest.approx([1.0, 0.0, 0.0])


def _prism(
    triangle: np.ndarray[tuple[int, ...], np.dtype[np.float64]], low: float, high: float
) -> trimesh.Trimesh:
    corners = [[x, y, z] for z in (low, high) for x, y in triangle]
    walls = [face for a, b in ((0, 1), (1, 2), (2, 0)) for face in ([a, b, b + 3], [a, b + 3, a + 3])]
    return trimesh.Trimesh(corners, [[0, 2, 1], [3, 4, 5], *walls])


def test_a_hollow_that_is_not_in_the_middle(tmp_path: Path) -> None:
    """A wall leaves of a prism over a triangle a smaller one about its inscribed circle, not its balance.

    Distances from the inscribed circle's centre shrink by 1 - wall / radius (elementary geometry).
    """
    triangle = np.array([[0.0, 0.0], [80.0, 0.0], [40.0, 90.0]])
    sides = np.array([np.hypot(40.0, 90.0), np.hypot(40.0, 90.0), 80.0])  # opposite each corner
    middle, radius = sides @ triangle / sides.sum(), 80.0 * 90.0 / sides.sum()
    mesh = _prism(triangle, 0.0, 50.0)
    inner = _prism(middle + (1.0 - 4.0 / radius) * (triangle - middle), 4.0, 46.0)
    body = mesh_mass(saved(mesh, tmp_path), "mm", 1.0, 4.0)
    heavy, hole = mesh.volume, inner.volume
    assert body.mass_kg == pytest.approx(1e-6 * (heavy - hole), rel=1e-5)
    centre = (heavy * mesh.center_mass - hole * inner.center_mass) / (heavy - hole)
    assert body.centre_m == pytest.approx(1e-3 * centre, rel=1e-5)
    tensor = np.zeros((3, 3))
    for sign, part in ((1.0, mesh), (-1.0, inner)):
        arm = part.center_mass - centre
        tensor += sign * (part.moment_inertia + part.volume * (arm @ arm * np.eye(3) - np.outer(arm, arm)))
    assert body.tensor_kg_m2 == pytest.approx(1e-12 * tensor, rel=1e-4, abs=1e-11)


def test_how_the_faces_are_cut_into_triangles_does_not_matter(tmp_path: Path) -> None:
    """Four faces meet in a leaning tip; one of them is drawn as one triangle, then as three."""
    base, tip = [[0.0, 0.0, 0.0], [80.0, 0.0, 0.0], [80.0, 60.0, 0.0], [0.0, 60.0, 0.0]], [20.0, 25.0, 70.0]
    floor = [[0, 2, 1], [0, 3, 2]]
    plain = trimesh.Trimesh([*base, tip], [*floor, [0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    thirds = [[80.0 / 3.0, 0.0, 0.0], [160.0 / 3.0, 0.0, 0.0]]
    cut = [[0, 5, 4], [5, 6, 4], [6, 1, 4]]
    fan = [[0, 3, 5], [5, 3, 6], [6, 3, 2], [6, 2, 1]]
    finer = trimesh.Trimesh([*base, tip, *thirds], [*fan, *cut, [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    one, other = (mesh_mass(saved(mesh, tmp_path), "mm", 1.0, 3.0) for mesh in (plain, finer))
    assert one.mass_kg == pytest.approx(other.mass_kg, rel=1e-6)
    assert one.tensor_kg_m2 == pytest.approx(other.tensor_kg_m2, rel=1e-5, abs=1e-12)
