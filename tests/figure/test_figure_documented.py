"""FIGURE.md names every key of the schema, and the table of directions tells the truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sequencer.figure import schema, schema_i2c, schema_linkages, schema_masses, schema_outputs
from sequencer.figure.physics import rotations
from sequencer.figure.schema_values import SIDES

PAGE = (Path(__file__).parents[2] / "sequencer" / "figure" / "FIGURE.md").read_text(encoding="utf-8")
TABLES = (
    *(schema.ServoTable, schema.AxisTable, schema.LampTable, schema.SwitchTable, schema.InputTable),
    *(schema.SupplyTable, schema.BoardTable, schema.TopTable, *schema_masses.SHAPES.values()),
    *(schema_linkages.DriveTable, schema_linkages.SpringTable, schema_linkages.CounterweightTable),
    *(*schema_linkages.LINKAGES.values(), schema_linkages.CrankTable, schema_linkages.ClearanceTable),
    *(schema.PullsSpread, schema.WobbleSpread, schema_masses.MassSpread, schema_masses.SwingSpread),
    *(*schema_outputs.SENSORS.values(), schema_outputs.StringTable, schema_outputs.SoundTable),
    schema_i2c.ExpanderTable,
    *(schema.PullsTable, schema.WobbleTable, schema_masses.SwingTable, schema.LineTable, schema.OpeningTable),
)
KEYS = sorted({field.alias or key for table in TABLES for key, field in table.model_fields.items()})


@pytest.mark.parametrize("key", KEYS)
def test_every_key_is_documented(key: str) -> None:
    assert f"`{key}`" in PAGE or f"`[{key}]`" in PAGE


@pytest.mark.parametrize(
    ("about", "point", "goes", "sign"),
    [
        ("up", (1, 0, 0), "left", 1),  # the nose of a turning head
        ("left", (1, 0, 0), "up", -1),  # the nose of a nodding head goes down
        ("forward", (0, 0, 1), "right", 1),  # the crown of a tilting head
        ("left", (1, 0, -0.5), "up", -1),  # the chin of an opening jaw goes down
    ],
)
def test_positive_is_where_the_page_says(
    about: str, point: tuple[float, float, float], goes: str, sign: int
) -> None:
    turned = rotations(SIDES[about], np.array([0.3]))[0] @ np.array(point) - np.array(point)
    assert float(turned @ np.array(SIDES[goes])) * sign > 0.1
