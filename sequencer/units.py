"""Conversions between a builder's units (deg, g, mm, kg cm, s/60deg, us) and SI.

Pure functions, one line each. Inside the package everything is SI (rad, m, kg, N m, s); the
builder's units appear only in names that carry them (``mass_g``).
"""

from __future__ import annotations

import math

#: 1 kilogram-force centimetre in newton metres, exact (standard gravity, CGPM 1901).
N_M_PER_KGCM = 0.0980665
#: Standard gravity in m/s^2, exact (CGPM 1901).
GRAVITY_M_S2 = 9.80665


def rad_from_deg(angle_deg: float) -> float:
    """Degrees to radians."""
    return math.radians(angle_deg)


def deg_from_rad(angle_rad: float) -> float:
    """Radians to degrees."""
    return math.degrees(angle_rad)


def n_m_from_kgcm(torque_kgcm: float) -> float:
    """Torque printed on a servo's box (kgf cm) to N m."""
    return torque_kgcm * N_M_PER_KGCM


def kgcm_from_n_m(torque_n_m: float) -> float:
    """N m to kgf cm."""
    return torque_n_m / N_M_PER_KGCM


def rad_s_from_s_per_60deg(time_s: float) -> float:
    """Servo speed as printed (seconds for 60 degrees) to rad/s; 0.17 s is 352.941 deg/s."""
    return math.radians(60.0) / time_s


def kg_from_g(mass_g: float) -> float:
    """Grams to kilograms."""
    return mass_g / 1000.0


def m_from_mm(length_mm: float) -> float:
    """Millimetres to metres."""
    return length_mm / 1000.0
