"""Inertia of shapes against published formulas, and against meshes.

Source: handbook mechanics (from memory: solid sphere 2/5 m r^2, thin shell 2/3 m r^2, hollow sphere
2/5 m (Ro^5 - Ri^5)/(Ro^3 - Ri^3), ellipsoid (b^2 + c^2)/5, cylinder r^2/2 and (3 r^2 + h^2)/12, box
(b^2 + c^2)/12, parallel axis + d^2); the worked head is check-values section 3; the meshes are
trimesh's own.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.figure import masses

LENGTH = st.floats(0.001, 2.0)


def test_the_worked_head() -> None:
    """0.5 kg, Ro 0.08 m, Ri 0.076 m: 0.00203022 kg m2, 0.00383022 about an axis 0.06 m away."""
    tensor = masses.hollow_sphere(0.5, 0.08, 0.076)
    assert tensor[0, 0] == pytest.approx(0.00203022, abs=5e-9)
    arm, direction = np.array([[0.0, 0.0, 0.06]]), np.array([[0.0, 1.0, 0.0]])
    about = masses.about_line(tensor, 0.5, arm, direction)[0]
    assert about == pytest.approx(0.00383022, abs=5e-9)
    assert about * 37.7875 == pytest.approx(0.144734, abs=1e-6)


@pytest.mark.parametrize(
    ("tensor", "moments"),
    [
        (masses.sphere(1.0, 1.0), (0.4, 0.4, 0.4)),
        (masses.hollow_sphere(1.0, 1.0, 1.0), (2 / 3, 2 / 3, 2 / 3)),
        (masses.hollow_sphere(1.0, 1.0, 0.0), (0.4, 0.4, 0.4)),
        (masses.ellipsoid(1.0, (1.0, 2.0, 3.0)), (13 / 5, 10 / 5, 5 / 5)),
        (masses.cylinder(1.0, 1.0, 2.0, 2), (7 / 12, 7 / 12, 0.5)),
        (masses.cylinder(1.0, 1.0, 2.0, 0), (0.5, 7 / 12, 7 / 12)),
        (masses.box(1.0, (1.0, 2.0, 3.0)), (13 / 12, 10 / 12, 5 / 12)),
    ],
)
def test_published_moments(tensor: masses.Array, moments: tuple[float, float, float]) -> None:
    assert np.diag(tensor) == pytest.approx(moments, rel=1e-12)
    assert np.count_nonzero(tensor - np.diag(np.diag(tensor))) == 0


@given(outer=LENGTH, share=st.floats(0.0, 0.999))
def test_hollow_sphere_is_the_published_quotient(outer: float, share: float) -> None:
    inner = outer * share
    published = 0.4 * (outer**5 - inner**5) / (outer**3 - inner**3)
    assert masses.hollow_sphere(1.0, outer, inner)[0, 0] == pytest.approx(published, rel=1e-9)


@settings(max_examples=15, deadline=None)
@given(size=st.tuples(LENGTH, LENGTH, LENGTH), mass=st.floats(0.01, 50.0))
def test_box_equals_its_mesh(size: tuple[float, float, float], mass: float) -> None:
    import trimesh

    mesh = trimesh.creation.box(extents=size)
    mesh.density = mass / mesh.volume
    assert masses.box(mass, size) == pytest.approx(mesh.moment_inertia, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("kind", ["sphere", "hollow_sphere", "ellipsoid", "cylinder"])
def test_round_shapes_equal_their_meshes(kind: str) -> None:
    """A mesh of 20 480 faces lies inside the ball; 0.04 % is what that costs."""
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=5, radius=0.08)
    if kind == "sphere":
        ours = masses.sphere(0.7, 0.08)
    elif kind == "hollow_sphere":
        hole = trimesh.creation.icosphere(subdivisions=5, radius=0.06)
        density = 0.7 / (ball.volume - hole.volume)
        ball.density = hole.density = density
        theirs = ball.moment_inertia - hole.moment_inertia
        assert masses.hollow_sphere(0.7, 0.08, 0.06) == pytest.approx(theirs, rel=1e-3, abs=1e-9)
        return
    elif kind == "ellipsoid":
        ball.apply_scale([1.0, 0.75, 1.5])
        ours = masses.ellipsoid(0.7, (0.08, 0.06, 0.12))
    else:
        ball = trimesh.creation.cylinder(radius=0.08, height=0.2, sections=720)
        ours = masses.cylinder(0.7, 0.08, 0.2, 2)
    ball.density = 0.7 / ball.volume
    assert ours == pytest.approx(ball.moment_inertia, rel=1e-3, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    centre=st.tuples(*[st.floats(-0.5, 0.5)] * 3),
    point=st.tuples(*[st.floats(-0.5, 0.5)] * 3),
    yaw=st.floats(0, math.tau),
    pitch=st.floats(-1.5, 1.5),
)
def test_about_any_line_equals_points_summed(
    centre: tuple[float, float, float], point: tuple[float, float, float], yaw: float, pitch: float
) -> None:
    """Eight point masses at a box's corners: the definition, sum of m d^2, needs no formula."""
    half = np.array([0.1, 0.07, 0.03])
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * half
    mass = 0.25
    squares = corners.T @ corners * mass
    tensor = np.trace(squares) * np.eye(3) - squares
    direction = np.array([math.cos(pitch) * math.cos(yaw), math.cos(pitch) * math.sin(yaw), math.sin(pitch)])
    arms = corners + np.array(centre) - np.array(point)
    definition = mass * float(np.sum(np.cross(arms, direction) ** 2))
    arm = np.array(centre) - np.array(point)
    ours = masses.about_line(tensor, 8 * mass, arm[None, :], direction[None, :])[0]
    assert ours == pytest.approx(definition, rel=1e-9, abs=1e-12)
