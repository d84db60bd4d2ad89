"""One frame as the compiled core writes it: the layout of ``row`` in firmware_templates/host/qj_export.c."""

from __future__ import annotations

import numpy as np

#: As in qj_core.h and qj_export.c.
MAX_TRACKS, MAX_LAMPS, HAPPENINGS, ROWS, WIRE = 32, 16, 4, 4096, 4096
#: The sides of polygons that the prover watches at most (qj_prove.h).
MAX_FACES = 64
#: Transitions of a frame that are remembered (QJ_TRACE).
TRACE = 7
IMAGE_ROOM = 1 << 20

ROW = np.dtype(
    [
        ("state", "u1"),
        ("scene", "u1"),
        ("switches", "u1"),
        ("happenings", "u1"),
        ("frame", "<u2"),
        ("phase", "<u2"),
        ("steps", "u1", (TRACE + 1,)),
        ("what", "u1", (HAPPENINGS,)),
        ("told_scene", "u1", (HAPPENINGS,)),
        ("input", "u1", (HAPPENINGS,)),
        ("cue", "<u2", (HAPPENINGS,)),
        ("pulse", "<u2", (MAX_TRACKS,)),
        ("window", "<i2", (MAX_TRACKS, 4)),
        ("motion", "<i4", (MAX_TRACKS, 4)),
        ("duty", "<u2", (MAX_LAMPS,)),
        ("lightness", "<u2", (MAX_LAMPS,)),
    ]
)

#: low, high follow the three differences in qj_prove.h.
WORST = np.dtype([("d1", "<i4"), ("d2", "<i4"), ("d3", "<i4"), ("low", "<i4"), ("high", "<i4")])
