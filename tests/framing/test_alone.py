"""A roof is framed alone as it is framed among others: to the order of its lines."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely
from tests.benchmarks.district import write_district

from roofplat.district import read_district
from roofplat.framing import frame_roofs
from roofplat.ground import Ground
from roofplat.inventory import take_inventory
from roofplat.pipeline.planning import gather
from roofplat.rules import load_rulebook

RULES, GROUND = load_rulebook(), Ground(0.3048, None)


def test_members_and_planes_are_those_of_the_whole_to_the_order_of_their_lines(tmp_path: Path) -> None:
    """The lines of a roof used to come in an order that other roofs had a say in."""
    district = read_district(write_district(400, tmp_path, 11))
    inputs = gather(district, RULES)
    roofs = take_inventory(inputs, RULES, GROUND).roofs
    whole = frame_roofs(roofs, inputs.streets, RULES, GROUND)
    pitched = np.flatnonzero(whole.pitched.found)
    lines = 0
    for row in pitched[::4]:
        name = roofs["section_id"].iloc[row]
        alone = frame_roofs(roofs.iloc[[row]], inputs.streets, RULES, GROUND)
        for table in ("members", "planes"):
            ours, theirs = getattr(alone, table), getattr(whole, table)
            theirs = theirs[theirs["section_id"] == name].reset_index(drop=True)
            assert ours.drop(columns="geometry").equals(theirs.drop(columns="geometry")), name
            one, other = ours.geometry.to_numpy(), theirs.geometry.to_numpy()
            assert shapely.equals_exact(one, other, 1e-6).all(), (name, table)
            lines += int(shapely.get_num_geometries(one).sum())
    assert lines > 500
