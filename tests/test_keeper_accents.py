"""Landings and accents of the Lantern Keeper: through his rods, and shaped against the wobble of his neck."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from sequencer.check.axes import linked_motion
from sequencer.show import plan_show
from sequencer.show_folder import demo_folder, read_show

SCENE = """scene beat
length 0:12
0:02 lands nod up 8, easy
0:04 nod is down 4
0:06 lands tilt left 5, brisk
"""


def test_rods_and_shaping_keep_the_beat(tmp_path: Path) -> None:
    folder = tmp_path / "keeper"
    shutil.copytree(demo_folder(), folder)
    (folder / "beat.scene").write_text(SCENE)
    planned = plan_show(read_show(folder), ["beat"])
    plans, timeline = planned.plans["beat"], planned.timelines["beat"]
    (neck,) = [linkage for linkage in planned.tracks.behind if "nod" in linkage.axes]
    tracks = [plan for plan in plans.values() if plan.spec.servo in neck.servos]
    assert all(plan.shaping is not None for plan in tracks)
    in_order = sorted(tracks, key=lambda plan: neck.servos.index(plan.spec.servo))
    motion = linked_motion(
        neck, [plan.spec for plan in in_order], [plan.points for plan in in_order], False, (0.0, 0.0)
    )
    nod, tilt = (np.degrees(motion.angle_rad[axis]) for axis in ("nod", "tilt"))
    signs = {axis: planned.show.figure.axes[axis].words for axis in ("nod", "tilt")}
    up = 1.0 if signs["nod"][1] == "up" else -1.0
    left = 1.0 if signs["tilt"][1] == "left" else -1.0
    assert abs(nod[2000] - up * 8) <= 0.3
    assert abs(nod[4000] + up * 4) <= 0.3
    assert abs(tilt[6000] - left * 5) <= 0.3
    assert np.max(np.abs(nod[:600])) <= 0.1  # the landing begins at 0.7 s
    assert np.max(np.abs(nod[2100:3000] - up * 8)) <= 0.1
    assert [item for item in timeline.shortfalls if item.severity == "warning"] == []
